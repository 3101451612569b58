package field

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/sensors"
	"gapward/simulator"
)

// lookEvery is how often a device that reports by exception looks at a signal.
const lookEvery = 5 * time.Millisecond

// publisher stands in for a device that publishes its signals.
type publisher struct {
	device string
	field  *Field
	opts   *paho.ClientOptions
	topics []*topic
	late   []message // what a slow network still holds, by due time
}

// topic is what a device publishes under one name: one signal or several.
type topic struct {
	name     string
	qos      byte
	document document
	values   []*value
	raw      []float64 // of the values, for the document
}

// value is one signal in a topic's payload.
type value struct {
	wired
	every time.Duration // between two looks
	due   time.Time     // the next look
	look  bool          // it is to be looked at now

	sent      bool
	sentValue float64
	sentAtNS  int64
}

// message is a publication held up by a slow network.
type message struct {
	due     time.Time
	topic   string
	qos     byte
	payload []byte
}

func (f *Field) addMQTT(name string, d sensors.Device, channels []sensors.Channel) error {
	u, err := url.Parse(d.MQTT)
	if err != nil {
		return fmt.Errorf("its mqtt address: %w", err)
	}
	if u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.Host == "" {
		return fmt.Errorf("its mqtt address %s is not of the form mqtt://host:port or mqtts://host:port", d.MQTT)
	}
	if u.Port() == "" { // the ports that IANA has registered for MQTT
		u.Host = net.JoinHostPort(u.Hostname(), map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme])
	}
	p := &publisher{device: name, field: f, opts: paho.NewClientOptions().
		AddBroker(u.String()).
		SetClientID(fmt.Sprintf("gapward-simulate-%s-%d", name, os.Getpid())).
		SetProtocolVersion(4).
		SetCleanSession(true).
		SetConnectRetry(true).SetConnectRetryInterval(time.Second).
		SetAutoReconnect(true).SetMaxReconnectInterval(5 * time.Second).
		SetKeepAlive(15 * time.Second).SetWriteTimeout(2 * time.Second)}
	if d.User != "" {
		p.opts.SetUsername(d.User)
	}
	if d.PasswordFile != "" {
		secret, err := os.ReadFile(d.PasswordFile)
		if err != nil {
			return fmt.Errorf("reading its password: %w", err)
		}
		p.opts.SetPassword(strings.TrimRight(string(secret), "\r\n"))
	}
	if u.Scheme == "mqtts" {
		secure, err := d.TLS(u.Hostname())
		if err != nil {
			return err
		}
		p.opts.SetTLSConfig(secure)
	}
	named := make(map[string]*topic)
	for _, c := range channels {
		w := c.Wiring
		if w.Topic == "" {
			return fmt.Errorf("%s of %s has no topic", c.Signal, c.Name)
		}
		t, ok := named[w.Topic]
		if !ok {
			t = &topic{name: w.Topic}
			named[w.Topic] = t
			p.topics = append(p.topics, t)
		}
		t.add(c)
	}
	f.publishers = append(f.publishers, p)
	f.addresses[name] = u.Host
	return nil
}

// add gives a signal its place in the topic's payload: what the site file says,
// or "v" beside the time in "t".
func (t *topic) add(c sensors.Channel) {
	w := c.Wiring
	v := &value{wired: wired{channel: c, scale: simulator.NewScale(c.Signal, w)}, every: w.Poll}
	switch {
	case w.ByException():
		v.every, t.qos = lookEvery, 1 // a change that is lost is not told again soon
	case v.every <= 0:
		v.every = sensors.DefaultPoll
	}
	at := w.Time
	if w.Value == "" && at == "" {
		at = "/t"
	}
	if at != "" && at != sensors.ArrivalTime {
		t.document.put(at, timeSlot)
	}
	t.document.put(cmp.Or(w.Value, "/v"), len(t.values))
	t.values = append(t.values, v)
	t.raw = append(t.raw, 0)
}

// run publishes until ctx ends. While the broker can't be reached what there
// is to say is lost, as it is with a device that has no memory.
func (p *publisher) run(ctx context.Context) error {
	p.opts.SetConnectionLostHandler(func(_ paho.Client, err error) {
		p.field.log.Warn("a simulated device has lost its broker and will reconnect", "device", p.device, "err", err)
	})
	client := paho.NewClient(p.opts)
	client.Connect() // it retries by itself
	defer client.Disconnect(250)
	if len(p.topics) == 0 {
		<-ctx.Done()
		return nil
	}
	now := time.Now()
	for _, t := range p.topics {
		for _, v := range t.values {
			v.due = now
		}
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		timer.Reset(time.Until(p.step(client, time.Now())))
	}
}

// step publishes what is due and says when the next thing is.
func (p *publisher) step(client paho.Client, now time.Time) (next time.Time) {
	open := client.IsConnectionOpen()
	for len(p.late) > 0 && !p.late[0].due.After(now) {
		if m := p.late[0]; open {
			client.Publish(m.topic, m.qos, false, m.payload)
		}
		p.late = p.late[1:]
	}
	next = now.Add(time.Hour)
	for _, t := range p.topics {
		if due := t.look(now); due && open {
			p.publish(client, t, now)
		}
		for _, v := range t.values {
			next = earlier(next, v.due)
		}
	}
	if len(p.late) > 0 {
		next = earlier(next, p.late[0].due)
	}
	return next
}

// look reports whether any of the topic's signals is to be looked at, and when
// each will be again.
func (t *topic) look(now time.Time) (due bool) {
	for _, v := range t.values {
		v.look = !v.due.After(now)
		if !v.look {
			continue
		}
		due = true
		v.due = v.due.Add(v.every)
		if !v.due.After(now) {
			v.due = now.Add(v.every) // behind by a whole look: leave out what was missed
		}
	}
	return due
}

// publish reads a topic's signals, all at one moment, and publishes them if
// there's something to say.
func (p *publisher) publish(client paho.Client, t *topic, now time.Time) {
	atNS := p.field.now().UnixNano()
	var slow, clockBy time.Duration
	readings := make([]simulator.Reading, len(t.values))
	worthIt := false
	for i, v := range t.values {
		r := p.field.read(&v.wired, atNS)
		if r.Silent {
			return
		}
		readings[i], t.raw[i] = r, v.wired.raw(r)
		slow, clockBy = max(slow, r.Slow), r.ClockBy
		worthIt = worthIt || v.look && (!v.channel.Wiring.ByException() || v.news(r, atNS))
	}
	if !worthIt {
		return
	}
	for i, v := range t.values {
		v.sent, v.sentValue, v.sentAtNS = true, told(readings[i]), atNS
	}
	m := message{topic: t.name, qos: t.qos, payload: t.document.write(atNS+int64(clockBy), t.raw)}
	if slow <= 0 && len(p.late) == 0 {
		client.Publish(m.topic, m.qos, false, m.payload)
		return
	}
	m.due = now.Add(slow)
	i, _ := slices.BinarySearchFunc(p.late, m, func(a, b message) int { return cmp.Or(a.due.Compare(b.due), -1) })
	p.late = slices.Insert(p.late, i, m)
}

// news reports whether a device that reports by exception has something to
// say.
func (v *value) news(r simulator.Reading, atNS int64) bool {
	w := &v.channel.Wiring
	now := told(r)
	switch {
	case !v.sent || math.IsNaN(now) != math.IsNaN(v.sentValue):
		return true
	case w.AtLeastEvery > 0 && atNS-v.sentAtNS >= int64(w.AtLeastEvery):
		return true
	case v.channel.Signal.Binary():
		return now != v.sentValue
	}
	return w.OnChange > 0 && math.Abs(now-v.sentValue) >= w.OnChange
}

// told is the value by which changes are judged, no number for a broken wire.
func told(r simulator.Reading) float64 {
	if r.Broken {
		return math.NaN()
	}
	return r.Value
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

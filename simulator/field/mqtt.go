package field

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/url"
	"os"
	"slices"
	"strconv"
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

// topic is one signal as its device publishes it.
type topic struct {
	wired
	every time.Duration // between two looks
	due   time.Time     // the next look

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
	p := &publisher{device: name, field: f, opts: paho.NewClientOptions().
		AddBroker(d.MQTT).
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
	for _, c := range channels {
		if c.Wiring.Topic == "" {
			return fmt.Errorf("%s of %s has no topic", c.Signal, c.Name)
		}
		t := &topic{wired: wired{c, simulator.NewScale(c.Signal, c.Wiring)}, every: c.Wiring.Poll}
		switch {
		case c.Wiring.ByException():
			t.every = lookEvery
		case t.every <= 0:
			t.every = sensors.DefaultPoll
		}
		p.topics = append(p.topics, t)
	}
	f.publishers = append(f.publishers, p)
	f.addresses[name] = u.Host
	return nil
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
		t.due = now
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
		if !t.due.After(now) {
			if open {
				p.look(client, t, now)
			}
			t.due = t.due.Add(t.every)
			if !t.due.After(now) {
				t.due = now.Add(t.every) // behind by a whole look: leave out what was missed
			}
		}
		next = earlier(next, t.due)
	}
	if len(p.late) > 0 {
		next = earlier(next, p.late[0].due)
	}
	return next
}

// look reads one signal and publishes it if there's something to say.
func (p *publisher) look(client paho.Client, t *topic, now time.Time) {
	atNS := p.field.now().UnixNano()
	r := p.field.read(&t.wired, atNS)
	if r.Silent {
		return
	}
	if t.channel.Wiring.ByException() && !t.news(r, atNS) {
		return
	}
	t.sent, t.sentValue, t.sentAtNS = true, told(r), atNS
	m := message{topic: t.channel.Wiring.Topic, payload: payload(atNS+int64(r.ClockBy), t.raw(r))}
	if t.channel.Wiring.ByException() {
		m.qos = 1 // a change that is lost is not told again soon
	}
	if r.Slow <= 0 && len(p.late) == 0 {
		client.Publish(m.topic, m.qos, false, m.payload)
		return
	}
	m.due = now.Add(r.Slow)
	i, _ := slices.BinarySearchFunc(p.late, m, func(a, b message) int { return cmp.Or(a.due.Compare(b.due), -1) })
	p.late = slices.Insert(p.late, i, m)
}

// news reports whether a device that reports by exception has something to
// say.
func (t *topic) news(r simulator.Reading, atNS int64) bool {
	w := &t.channel.Wiring
	v := told(r)
	switch {
	case !t.sent || math.IsNaN(v) != math.IsNaN(t.sentValue):
		return true
	case w.AtLeastEvery > 0 && atNS-t.sentAtNS >= int64(w.AtLeastEvery):
		return true
	case t.channel.Signal.Binary():
		return v != t.sentValue
	}
	return w.OnChange > 0 && math.Abs(v-t.sentValue) >= w.OnChange
}

// told is the value by which changes are judged, no number for a broken wire.
func told(r simulator.Reading) float64 {
	if r.Broken {
		return math.NaN()
	}
	return r.Value
}

// payload is the JSON that a device publishes: its own time and the raw value,
// null where it has none.
func payload(atNS int64, raw float64) []byte {
	b := append(make([]byte, 0, 64), `{"t":"`...)
	b = time.Unix(0, atNS).UTC().AppendFormat(b, "2006-01-02T15:04:05.000000Z")
	b = append(b, `","v":`...)
	if math.IsNaN(raw) {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendFloat(b, roundTo(raw, 7), 'f', -1, 64)
	}
	return append(b, '}')
}

// roundTo rounds to a number of significant digits.
func roundTo(v float64, digits int) float64 {
	if v == 0 {
		return 0
	}
	scale := math.Pow(10, float64(digits-1)-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

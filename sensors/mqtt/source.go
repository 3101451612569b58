// Package mqtt reads devices that send their readings to an MQTT broker.
//
// A [Source] subscribes to the topics of one device's signals. What a payload
// may say is told at [NewForm]. Five things set such a device apart from one
// that is polled:
//
//   - It speaks when it likes. Between readings nothing is sent, and how much
//     silence is too much is judged further on, by the signal's stale_after.
//     Only what the source knows to be silence is sent as such: while the
//     broker is away, or refuses a topic, every second brings one sample of
//     quality [sensors.NoAnswer] for each signal concerned.
//   - Its readings may come with its own time, and those of several topics a
//     little out of order. They wait for 100 ms and go out in the order of
//     time.
//   - Its own time is worth no more than its clock, which is judged by the
//     messages themselves: see [sensors.Device.SkewLimit].
//   - A message may be old: retained by the broker, or sent a second time. It
//     is never taken for a fresh reading.
//   - A reading that can't be taken is never lost in silence: it is counted,
//     logged and told to the [sensors.Watcher]; and where it leaves a hole in
//     the signal (a payload that makes no sense, a reading too late to be put
//     in its place, more readings than can be kept up with) a sample of quality
//     [sensors.Bad] at its arrival marks the place.
//
// # Acknowledgement
//
// With a clean session, which is the default, the broker forgets us as soon as
// the connection ends. It would never send a message again, so that to withhold
// the acknowledgement would gain nothing: a message is acknowledged when it has
// been taken.
//
// With keep_session the broker keeps what comes while we are away, and sends
// again what we haven't acknowledged. A message of QoS 1 is then acknowledged
// once [Source.Confirm] has said that its readings have gone through the
// pipeline and that all they caused is durable. What that doesn't cover is the
// cycle under way: its readings are in memory until it closes, as those of a
// polled device are, and a kill in the middle of it costs that one cycle. To
// wait for its end too would need hundreds of messages in flight, and a broker
// lets few be (Mosquitto: 20, unless max_inflight_messages says otherwise).
//
// What was kept goes out first, in one batch and in its own times, before
// anything of the present does. So a gateway that was down measures the cycles
// it has missed. One that has been running without its broker does not: it has
// told the world already that time passed in silence.
package mqtt

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"gapward/sensors"
)

// Options are the settings of a [Source] that no site file has. The zero
// value is right but for Site.
type Options struct {
	Site string // the site's name, for the client id

	HoldBack     time.Duration // how long a reading waits for earlier ones; 0 means 100 ms
	KeepAlive    time.Duration // silence after which the broker is asked for a sign of life, whole seconds; 0 means 15 s
	MaxReconnect time.Duration // longest pause between attempts to reach the broker; 0 means 30 s
	Resubscribe  time.Duration // pause before a refused topic is asked for again; 0 means 10 s
	Queue        int           // messages that may wait while the receiver is busy; 0 means 4096
}

func (o Options) withDefaults() Options {
	if o.HoldBack == 0 {
		o.HoldBack = 100 * time.Millisecond
	}
	if o.KeepAlive == 0 {
		o.KeepAlive = 15 * time.Second
	}
	if o.MaxReconnect == 0 {
		o.MaxReconnect = 30 * time.Second
	}
	if o.Resubscribe == 0 {
		o.Resubscribe = 10 * time.Second
	}
	if o.Queue == 0 {
		o.Queue = 4096
	}
	return o
}

// Source is a [sensors.Source] that subscribes to the topics of one device.
type Source struct {
	name     string
	broker   *url.URL // scheme tcp or tls, host and port
	user     string
	password string
	clientID string // empty: one made for each Run
	tls      *tls.Config
	keep     bool          // the broker keeps our session
	maxSkew  time.Duration // of the senders' clocks
	channels []sensors.Channel
	forms    []Form         // of the channels' payloads
	topics   []string       // each once, in the order of the channels
	topicOf  map[string]int // position in topics
	readers  [][]int        // the channels of each topic
	heard    []heard        // messages of each topic
	watcher  sensors.Watcher
	log      *slog.Logger
	opts     Options
	counts   counters

	confirmed confirmed
}

// Counts is what became of the messages of a source since it was made.
type Counts struct {
	Received   int64 // of its topics
	Unwanted   int64 // of a topic that no signal has
	Retained   int64 // kept by the broker from before: not fresh
	Duplicates int64 // sent a second time
	Backwards  int64 // older than the reading of that signal before it
	Late       int64 // older than what had gone out already; sent as bad
	Missed     int64 // kept by the broker while the connection was lost: too late for a gateway that runs
	Refused    int64 // not understood or not to be trusted; sent as bad
	Overrun    int64 // came faster than they could be taken; sent as bad

	Unconfirmed int64 // that wait at this moment to be acknowledged
}

// heard counts the messages of one topic.
type heard struct{ fresh, retained atomic.Int64 }

type counters struct {
	received, unwanted, retained, duplicates, backwards, late, missed, refused, overrun, unconfirmed atomic.Int64
}

// New makes a source for the device called name. Each channel has a topic;
// several may have the same one. w may be nil.
//
// It reads the files of password, certificates and key; the broker is sought when Run begins.
func New(name string, dev sensors.Device, channels []sensors.Channel, w sensors.Watcher, lg *slog.Logger, opts Options) (*Source, error) {
	s := &Source{
		name:     name,
		user:     dev.User,
		clientID: dev.ClientID,
		keep:     dev.KeepSession,
		maxSkew:  dev.SkewLimit(),
		channels: channels,
		topicOf:  map[string]int{},
		watcher:  w,
		log:      lg.With("device", name),
		opts:     opts.withDefaults(),
	}
	if s.watcher == nil {
		s.watcher = sensors.WatcherFunc(func(string, sensors.Poll) {})
	}
	var err error
	if s.broker, err = brokerURL(dev.MQTT); err != nil {
		return nil, fmt.Errorf("device %s: %w", name, err)
	}
	if s.keep && s.clientID == "" {
		return nil, fmt.Errorf("device %s: keep_session needs client_id, by which the broker knows whose session it keeps", name)
	}
	if s.broker.Scheme == "tls" {
		if s.tls, err = dev.TLS(s.broker.Hostname()); err != nil {
			return nil, fmt.Errorf("device %s: %w", name, err)
		}
	}
	if dev.PasswordFile != "" {
		if dev.User == "" {
			return nil, fmt.Errorf("device %s: password_file is given without user; name the user that it belongs to", name)
		}
		password, err := os.ReadFile(dev.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("device %s: reading its password: %w", name, err)
		}
		s.password = strings.TrimRight(string(password), "\r\n")
		if s.password == "" {
			return nil, fmt.Errorf("device %s: the password file %s is empty", name, dev.PasswordFile)
		}
	}
	if len(channels) == 0 {
		return nil, fmt.Errorf("device %s: no signal has a topic on it", name)
	}
	for i, c := range channels {
		topic := c.Wiring.Topic
		if err := checkTopic(topic); err != nil {
			return nil, fmt.Errorf("device %s: %s of brake %s: %w", name, c.Signal, c.Name, err)
		}
		form, err := NewForm(c.Wiring)
		if err == nil && s.keep && !form.mustDate {
			err = errors.New("on a device with keep_session each signal needs time: a message that the broker has kept says nothing by its arrival")
		}
		if err != nil {
			return nil, fmt.Errorf("device %s: %s of brake %s: %w", name, c.Signal, c.Name, err)
		}
		s.forms = append(s.forms, form)
		t, known := s.topicOf[topic]
		if !known {
			t = len(s.topics)
			s.topicOf[topic] = t
			s.topics = append(s.topics, topic)
			s.readers = append(s.readers, nil)
			s.heard = append(s.heard, heard{})
		}
		s.readers[t] = append(s.readers[t], i)
	}
	return s, nil
}

// Name is the device's name in the site file.
func (s *Source) Name() string { return s.name }

// Counts may be called at any time, from any goroutine.
func (s *Source) Counts() Counts {
	c := &s.counts
	return Counts{
		Received: c.received.Load(), Unwanted: c.unwanted.Load(), Retained: c.retained.Load(), Duplicates: c.duplicates.Load(),
		Backwards: c.backwards.Load(), Late: c.late.Load(), Missed: c.missed.Load(), Refused: c.refused.Load(), Overrun: c.overrun.Load(), Unconfirmed: c.unconfirmed.Load(),
	}
}

// brokerURL reads the address of a broker, mqtt://host:port or
// mqtts://host:port, and makes it one with the scheme tcp or tls and a port.
func brokerURL(address string) (*url.URL, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, fmt.Errorf("reading its address: %w", err)
	}
	scheme, port := "tcp", "1883"
	switch u.Scheme {
	case "mqtt":
	case "mqtts":
		scheme, port = "tls", "8883"
	default:
		return nil, fmt.Errorf("its address %q must begin with mqtt:// or mqtts://", address)
	}
	switch {
	case u.User != nil:
		return nil, errors.New("its address holds a user or a password; give them by user and password_file")
	case u.Hostname() == "":
		return nil, fmt.Errorf("its address %q has no host", address)
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
		return nil, fmt.Errorf("its address %q must end after host and port; topics belong to the signals", address)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	return &url.URL{Scheme: scheme, Host: net.JoinHostPort(u.Hostname(), port)}, nil
}

func checkTopic(topic string) error {
	switch {
	case topic == "":
		return errors.New("it has no topic")
	case strings.ContainsAny(topic, "+#"):
		return fmt.Errorf("its topic %q has a wildcard; one signal is one topic", topic)
	case len(topic) > 65535 || strings.ContainsRune(topic, 0):
		return fmt.Errorf("its topic %.40q… is none by the MQTT standard", topic)
	case strings.HasPrefix(topic, "$share/"):
		return fmt.Errorf("its topic %q is a shared subscription, of which each reader sees only a part", topic)
	}
	return nil
}

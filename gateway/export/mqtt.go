package export

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/gateway/store"
)

// Times of the connection to the broker.
const (
	mqttConnectLimit = 10 * time.Second
	mqttWriteLimit   = 5 * time.Second
	mqttKeepAlive    = 15 * time.Second
	mqttFirstWait    = 500 * time.Millisecond // after a lost connection …
	mqttLongestWait  = 30 * time.Second       // … doubling up to this
	mqttGoodbye      = 2 * time.Second        // for "offline" at the end
)

// window is how many messages are under way before the first is confirmed.
const window = 64

// MQTT publishes to a broker:
//
//	PREFIX/SITE/BRAKE/cycle     every cycle
//	PREFIX/SITE/BRAKE/alarm     every change of an alarm
//	PREFIX/SITE/BRAKE/state     the verdict, retained
//	PREFIX/SITE/BRAKE/forecast  the forecast of the adjusting limit, retained
//	PREFIX/SITE/gateway         "online" or, by last will, "offline", retained
//	PREFIX/SITE/gateway/alarm   the gateway's own alarms
//
// all with QoS 1. A row counts as delivered when the broker has acknowledged
// it. That a broker's access rules drop a message, it does not tell; MQTT 3.1.1
// has no words for it.
//
// Every connection has a client of its own. A client that reconnects by itself
// reports messages as delivered that no broker has acknowledged, and sends old
// ones again after newer ones; one that ends with its connection does neither.
type MQTT struct {
	url      string
	user     string
	password string
	clientID string
	topics   topics
	lg       *slog.Logger

	mu       sync.Mutex
	live     *session      // nil while there is no connection
	moved    chan struct{} // closed when live changes
	last     error         // why there is no connection
	retained map[string][]byte
}

// session is one connection.
type session struct {
	client paho.Client
	lost   chan struct{} // closed when the connection is
	once   sync.Once
}

func (s *session) end() { s.once.Do(func() { close(s.lost) }) }

// NewMQTT makes the sink; [MQTT.Run] connects it.
func NewMQTT(s MQTTSettings, site string, brakes []string, lg *slog.Logger) (*MQTT, error) {
	password, err := readSecret("export.mqtt.password_file", s.PasswordFile)
	if err != nil {
		return nil, err
	}
	t, err := newTopics(s.TopicPrefix(), site, brakes)
	if err != nil {
		return nil, fmt.Errorf("export.mqtt: %w", err)
	}
	id := s.ClientID
	if id == "" {
		id = "gapward-" + rand.Text()[:10] // two clients of one id would throw each other out for ever
	}
	return &MQTT{
		url: s.URL, user: s.User, password: password, clientID: id, topics: t,
		lg: lg.With("exporter", "mqtt"), moved: make(chan struct{}), retained: map[string][]byte{},
		last: errors.New("not connected yet"),
	}, nil
}

// Name implements [Sink].
func (m *MQTT) Name() string { return "mqtt" }

// Wants implements [Sink]. Whoever subscribes wants what happens from now on;
// the past is for databases.
func (m *MQTT) Wants() Wants {
	return Wants{Cycles: true, Verdicts: true, Forecasts: true, Alarms: true}
}

// Restore reads the retained messages' content from the store. They are
// published with every new connection, so that a broker that has forgotten them
// gets them again.
func (m *MQTT) Restore(ctx context.Context, db *store.DB) error {
	verdicts, err := db.Verdicts(ctx)
	if err != nil {
		return fmt.Errorf("restoring the state topics: %w", err)
	}
	forecasts, err := db.LatestForecasts(ctx)
	if err != nil {
		return fmt.Errorf("restoring the forecast topics: %w", err)
	}
	messages, err := m.messages(Rows{Verdicts: verdicts, Forecasts: forecasts})
	if err != nil {
		// A brake of an earlier site file may have a name without a topic; its
		// state is nobody's business now.
		m.lg.Warn("some stored state has no topic", "error", err)
	}
	m.keep(messages)
	return nil
}

func (m *MQTT) keep(messages []message) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, msg := range messages {
		if msg.retained {
			m.retained[msg.topic] = msg.payload
		}
	}
}

// Run holds a connection to the broker until ctx ends; then it publishes
// "offline" and returns nil.
func (m *MQTT) Run(ctx context.Context) error {
	wait := mqttFirstWait
	var told string
	for ctx.Err() == nil {
		s, err := m.connect(ctx)
		if err != nil {
			m.set(nil, err)
			if err.Error() != told && ctx.Err() == nil {
				told = err.Error()
				m.lg.Warn("no connection to the broker; trying on", "error", err)
			}
		} else {
			m.lg.Info("connected to the broker", "broker", m.url)
			m.set(s, nil)
			began := time.Now()
			select {
			case <-s.lost:
			case <-ctx.Done():
				m.goodbye(s)
				m.set(nil, errors.New("stopped"))
				return nil
			}
			s.client.Disconnect(0)
			told = ""
			m.set(nil, errors.New("the connection to the broker was lost"))
			m.lg.Warn("the connection to the broker was lost", "broker", m.url, "after", time.Since(began).Round(time.Second))
			if time.Since(began) > mqttLongestWait {
				wait = mqttFirstWait
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, mqttLongestWait)
	}
	return nil
}

// set says which connection there is.
func (m *MQTT) set(s *session, why error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.live, m.last = s, why
	close(m.moved)
	m.moved = make(chan struct{})
}

// connect makes a connection and tells the broker what it must know: that the
// gateway is online, and all that is retained.
func (m *MQTT) connect(ctx context.Context) (*session, error) {
	s := &session{lost: make(chan struct{})}
	options := paho.NewClientOptions().
		AddBroker(m.url).
		SetClientID(m.clientID).
		SetUsername(m.user).SetPassword(m.password).
		SetProtocolVersion(4). // else every failure is tried again as 3.1
		SetCleanSession(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetConnectTimeout(mqttConnectLimit).SetWriteTimeout(mqttWriteLimit).
		SetKeepAlive(mqttKeepAlive).SetPingTimeout(mqttConnectLimit).
		SetWill(m.topics.gateway(), "offline", 1, true).
		SetConnectionLostHandler(func(paho.Client, error) { s.end() })
	s.client = paho.NewClient(options)
	if err := wait(ctx, s, s.client.Connect()); err != nil {
		s.client.Disconnect(0)
		return nil, fmt.Errorf("connecting to %s: %w", m.url, err)
	}
	m.mu.Lock()
	greeting := []message{{topic: m.topics.gateway(), payload: []byte("online"), retained: true}}
	for topic, payload := range m.retained {
		greeting = append(greeting, message{topic: topic, payload: payload, retained: true})
	}
	m.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, deliverLimit)
	defer cancel()
	if err := s.publish(ctx, greeting); err != nil {
		s.client.Disconnect(0)
		return nil, fmt.Errorf("greeting %s: %w", m.url, err)
	}
	return s, nil
}

// goodbye publishes what the last will would, for a client that leaves in order
// has none.
func (m *MQTT) goodbye(s *session) {
	ctx, cancel := context.WithTimeout(context.Background(), mqttGoodbye)
	defer cancel()
	if err := s.publish(ctx, []message{{topic: m.topics.gateway(), payload: []byte("offline"), retained: true}}); err != nil {
		m.lg.Warn("the broker was not told that the gateway goes offline", "error", err)
	}
	s.client.Disconnect(250)
}

// Deliver implements [Sink]. Without a connection it waits for one until ctx
// ends.
func (m *MQTT) Deliver(ctx context.Context, rows Rows) error {
	messages, err := m.messages(rows)
	if err != nil {
		return &Refused{Err: err}
	}
	s, err := m.session(ctx)
	if err != nil {
		return err
	}
	m.keep(messages) // before publishing: a connection made meanwhile greets with the newest
	if err := s.publish(ctx, messages); err != nil {
		return fmt.Errorf("publishing to %s: %w", m.url, err)
	}
	return nil
}

func (m *MQTT) session(ctx context.Context) (*session, error) {
	for {
		m.mu.Lock()
		s, moved, last := m.live, m.moved, m.last
		m.mu.Unlock()
		if s != nil {
			return s, nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return nil, fmt.Errorf("no connection to %s: %w", m.url, last)
		}
	}
}

// publish sends messages in order, a window of them at a time, and returns nil
// when the broker has acknowledged them all.
func (s *session) publish(ctx context.Context, messages []message) error {
	for len(messages) > 0 {
		part := messages[:min(window, len(messages))]
		messages = messages[len(part):]
		tokens := make([]paho.Token, len(part))
		for i, msg := range part {
			tokens[i] = s.client.Publish(msg.topic, 1, msg.retained, msg.payload)
		}
		for _, t := range tokens {
			if err := wait(ctx, s, t); err != nil {
				return err
			}
		}
	}
	return nil
}

// wait waits until the broker has answered.
func wait(ctx context.Context, s *session, t paho.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-s.lost:
		return errors.New("the connection was lost before the broker acknowledged")
	case <-ctx.Done():
		return fmt.Errorf("the broker did not acknowledge: %w", ctx.Err())
	}
}

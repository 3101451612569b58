package export

import (
	"context"
	"fmt"
	"log/slog"
	"sync"

	"gapward/gateway/store"
)

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
type MQTT struct {
	broker broker
	topics topics
	lg     *slog.Logger
	link   *link[*session]

	mu       sync.Mutex
	retained map[string][]byte
}

// NewMQTT makes the sink; [MQTT.Run] connects it.
func NewMQTT(s MQTTSettings, site string, brakes []string, lg *slog.Logger) (*MQTT, error) {
	b, err := newBroker("export.mqtt.password_file", s.URL, s.User, s.PasswordFile, s.ClientID)
	if err != nil {
		return nil, err
	}
	t, err := newTopics(s.TopicPrefix(), site, brakes)
	if err != nil {
		return nil, fmt.Errorf("export.mqtt: %w", err)
	}
	m := &MQTT{broker: b, topics: t, lg: lg.With("exporter", "mqtt"), retained: map[string][]byte{}}
	m.link = newLink(b.url, m.lg, m.connect, m.goodbye)
	return m, nil
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
func (m *MQTT) Run(ctx context.Context) error { return m.link.run(ctx) }

// connect makes a connection and tells the broker what it must know: that the
// gateway is online, and all that is retained.
func (m *MQTT) connect(ctx context.Context) (*session, error) {
	s, err := m.broker.connect(ctx, m.topics.gateway(), []byte("offline"), true)
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	greeting := []message{{topic: m.topics.gateway(), payload: []byte("online"), retained: true}}
	for topic, payload := range m.retained {
		greeting = append(greeting, message{topic: topic, payload: payload, retained: true})
	}
	m.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, deliverLimit)
	defer cancel()
	if err := s.publish(ctx, 1, greeting); err != nil {
		s.leave(0)
		return nil, fmt.Errorf("greeting %s: %w", m.broker.url, err)
	}
	return s, nil
}

// goodbye publishes what the last will would, for a client that leaves in order
// has none.
func (m *MQTT) goodbye(s *session) {
	ctx, cancel := context.WithTimeout(context.Background(), mqttGoodbye)
	defer cancel()
	if err := s.publish(ctx, 1, []message{{topic: m.topics.gateway(), payload: []byte("offline"), retained: true}}); err != nil {
		m.lg.Warn("the broker was not told that the gateway goes offline", "error", err)
	}
	s.leave(mqttFlush)
}

// Deliver implements [Sink]. Without a connection it waits for one until ctx
// ends.
func (m *MQTT) Deliver(ctx context.Context, rows Rows) error {
	messages, err := m.messages(rows)
	if err != nil {
		return &Refused{Err: err}
	}
	s, err := m.link.session(ctx)
	if err != nil {
		return err
	}
	m.keep(messages) // before publishing: a connection made meanwhile greets with the newest
	if err := s.publish(ctx, 1, messages); err != nil {
		return fmt.Errorf("publishing to %s: %w", m.broker.url, err)
	}
	return nil
}

package mqtt

import (
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/sensors/sensortest"
)

// speaker is a device that publishes all its signals every few milliseconds.
type speaker struct {
	mu       sync.Mutex
	payloads map[sensors.Signal]string
}

func (s *speaker) set(signal sensors.Signal, v float64) {
	s.say(signal, fmt.Sprintf(`{"v":%v}`, v))
}

func (s *speaker) say(signal sensors.Signal, payload string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.payloads[signal] = payload
}

func (s *speaker) speak(t *testing.T, b *standInBroker) {
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			s.mu.Lock()
			for signal, payload := range s.payloads {
				b.publish(topicFor(signal), payload, false)
			}
			s.mu.Unlock()
		}
	}()
	t.Cleanup(func() { close(stop); <-stopped })
}

func topicFor(s sensors.Signal) string { return "quay/" + s.String() }

func TestConformance(t *testing.T) {
	sensortest.Run(t, func(t *testing.T) sensortest.Harness {
		broker := startBroker(t)
		device := &speaker{payloads: map[sensors.Signal]string{}}
		var channels []sensors.Channel
		for _, s := range sensors.Signals() {
			channels = append(channels, sensors.Channel{Brake: 2, Name: "quay-2/main", Signal: s, Wiring: sensors.Wiring{Topic: topicFor(s)}})
			device.set(s, 0)
		}
		device.speak(t, broker)
		source, err := New("quay-io", sensors.Device{MQTT: "mqtt://" + broker.address}, channels, nil, slog.New(slog.DiscardHandler),
			Options{MaxReconnect: 200 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		return sensortest.Harness{
			Source:   source,
			Channels: channels,
			Set:      device.set,
			// The broker may hand on, when it stops, what it has taken before.
			Break:  broker.breakDown,
			Heal:   broker.heal,
			Hang:   broker.hang,
			Spoil:  func(s sensors.Signal) { device.say(s, `{"v":null}`) },
			Within: 8 * time.Second,
		}
	})
}

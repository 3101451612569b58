package mqtt

import (
	"errors"
	"fmt"

	"gapward/sensors"
)

// A ReadingError says why a message brought no reading of one channel.
type ReadingError struct {
	Channel sensors.Channel
	Err     error
}

func (e *ReadingError) Error() string {
	return fmt.Sprintf("%s of brake %s, topic %s: %v", e.Channel.Signal, e.Channel.Name, e.Channel.Wiring.Topic, e.Err)
}

func (e *ReadingError) Unwrap() error { return e.Err }

// A ClockError says what is wrong with the clock that stamped a message.
type ClockError struct{ text string }

func (e *ClockError) Error() string { return e.text }

// A RefusedError says that the broker doesn't grant a topic.
type RefusedError struct {
	Topic string
	Err   error
}

func (e *RefusedError) Error() string { return e.Err.Error() }
func (e *RefusedError) Unwrap() error { return e.Err }

// Troubles lists the errors of one kind among those that a [sensors.Poll] of an
// MQTT source brings, which may be several at once.
func Troubles[E error](err error) (list []E) {
	for err != nil {
		if e, ok := err.(E); ok {
			return append(list, e)
		}
		switch joined := err.(type) {
		case interface{ Unwrap() []error }:
			for _, e := range joined.Unwrap() {
				list = append(list, Troubles[E](e)...)
			}
			return list
		default:
			err = errors.Unwrap(err)
		}
	}
	return list
}

// Heard is how many fresh and how many retained messages a topic has brought.
// It may be called at any time, from any goroutine.
func (s *Source) Heard(topic string) (fresh, retained int64) {
	i, ok := s.topicOf[topic]
	if !ok {
		return 0, 0
	}
	return s.heard[i].fresh.Load(), s.heard[i].retained.Load()
}

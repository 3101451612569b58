package sensortest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"gapward/sensors"
)

// errEnded says that Run has returned nil by itself. That is the end of a
// recording, and a broken promise where there's a device.
var errEnded = errors.New("Run returned nil though its context hadn't ended")

// A session is one Run of a source with everything it sends looked over.
type session struct {
	h      Harness
	out    chan []sensors.Sample
	done   chan error
	cancel context.CancelFunc
	began  time.Time
	last   int64 // time of the latest sample, ns
}

// start runs the source of h on a channel that holds buffer batches.
func start(h Harness, buffer int) *session {
	ctx, cancel := context.WithCancel(context.Background())
	s := &session{
		h:      h,
		out:    make(chan []sensors.Sample, buffer),
		done:   make(chan error, 1),
		cancel: cancel,
		began:  time.Now(),
	}
	go func() { s.done <- h.Source.Run(ctx, s.out) }()
	return s
}

// stop ends the context and waits for Run, without receiving what it may be
// trying to send.
func (s *session) stop() error {
	s.cancel()
	select {
	case err := <-s.done:
		if err != nil {
			return fmt.Errorf("Run returned %q after its context ended, want nil", err)
		}
	case <-time.After(stopWithin):
		return fmt.Errorf("Run hadn't returned %v after its context ended", stopWithin)
	}
	for range cap(s.out) + 1 {
		select {
		case _, open := <-s.out:
			if !open {
				return errors.New("Run closed the channel, which it shares with other sources")
			}
		default:
			return nil
		}
	}
	return nil
}

// next receives the next batch and holds it against the promises that every
// batch must keep.
func (s *session) next(deadline <-chan time.Time) ([]sensors.Sample, error) {
	select {
	case batch := <-s.out:
		return batch, s.inspect(batch)
	default:
	}
	select {
	case batch := <-s.out:
		return batch, s.inspect(batch)
	case err := <-s.done:
		s.done <- err // for stop
		if err == nil {
			err = errEnded
		}
		return nil, fmt.Errorf("while waiting for samples: %w", err)
	case <-deadline:
		return nil, errTimeUp
	}
}

var errTimeUp = errors.New("time is up")

// inspect holds one batch against the order of time and the list of channels.
// Of a live device it also wants times that are near the present.
func (s *session) inspect(batch []sensors.Sample) error {
	for i, smp := range batch {
		if smp.AtNS < s.last {
			return fmt.Errorf("sample %d of a batch (%v of brake %d) is %v older than one sent before it",
				i, smp.Signal, smp.Brake, time.Duration(s.last-smp.AtNS))
		}
		s.last = smp.AtNS
		if smp.Signal == sensors.Tick {
			continue
		}
		if !s.wired(smp) {
			return fmt.Errorf("a sample is about %v of brake %d, which isn't among the channels", smp.Signal, smp.Brake)
		}
		if smp.Quality > sensors.NoAnswer {
			return fmt.Errorf("%v of brake %d has %v", smp.Signal, smp.Brake, smp.Quality)
		}
		if smp.Quality == sensors.Good && (math.IsNaN(smp.Value) || math.IsInf(smp.Value, 0)) {
			return fmt.Errorf("%v of brake %d is %v and called good", smp.Signal, smp.Brake, smp.Value)
		}
		if smp.Quality == sensors.Good && smp.Signal.Binary() && smp.Value != 0 && smp.Value != 1 {
			return fmt.Errorf("%v of brake %d is %v, want 0 or 1", smp.Signal, smp.Brake, smp.Value)
		}
		if s.h.Set == nil {
			continue
		}
		at := time.Unix(0, smp.AtNS)
		if at.Before(s.began.Add(-2*time.Second)) || at.After(time.Now().Add(2*time.Second)) {
			return fmt.Errorf("%v of brake %d is stamped %v, and it was sent between %v and %v",
				smp.Signal, smp.Brake, at.UTC(), s.began.UTC(), time.Now().UTC())
		}
	}
	return nil
}

func (s *session) wired(smp sensors.Sample) bool {
	for _, c := range s.h.Channels {
		if c.Brake == smp.Brake && c.Signal == smp.Signal {
			return true
		}
	}
	return false
}

// each receives until want has been true of a sample of every channel, in any
// order. what names that for the error.
func (s *session) each(what string, want func(sensors.Sample) bool) error {
	missing := make(map[key]bool)
	for _, c := range s.h.Channels {
		missing[key{c.Brake, c.Signal}] = true
	}
	deadline := time.After(s.h.within())
	for len(missing) > 0 {
		batch, err := s.next(deadline)
		if errors.Is(err, errTimeUp) {
			for k := range missing {
				return fmt.Errorf("after %v no sample of %v of brake %d was %s", s.h.within(), k.signal, k.brake, what)
			}
		}
		if err != nil {
			return err
		}
		for _, smp := range batch {
			if want(smp) {
				delete(missing, key{smp.Brake, smp.Signal})
			}
		}
	}
	return nil
}

type key struct {
	brake  int32
	signal sensors.Signal
}

// some receives n samples and holds each against ok.
func (s *session) some(n int, ok func(sensors.Sample) error) error {
	deadline := time.After(s.h.within())
	for n > 0 {
		batch, err := s.next(deadline)
		if errors.Is(err, errTimeUp) {
			return fmt.Errorf("after %v there were still %d samples too few", s.h.within(), n)
		}
		if err != nil {
			return err
		}
		for _, smp := range batch {
			if err := ok(smp); err != nil {
				return err
			}
		}
		n -= len(batch)
	}
	return nil
}

// value is one of two values that the suite sets, well apart from each other.
func value(s sensors.Signal, second bool) float64 {
	v := map[sensors.Signal][2]float64{
		sensors.Travel:      {2, 5},
		sensors.Drive:       {0, 1},
		sensors.Released:    {1, 0},
		sensors.Temperature: {20, 60},
	}[s]
	if second {
		return v[1]
	}
	return v[0]
}

// set gives every signal its first or second value.
func (s *session) set(second bool) {
	for _, c := range s.h.Channels {
		s.h.Set(c.Signal, value(c.Signal, second))
	}
}

// shows is true of a good sample that has the value of its signal.
func (s *session) shows(second bool) func(sensors.Sample) bool {
	return func(smp sensors.Sample) bool {
		return smp.Quality == sensors.Good && math.Abs(smp.Value-value(smp.Signal, second)) <= s.h.tolerance()
	}
}

func isQuality(q sensors.Quality) func(sensors.Sample) bool {
	return func(smp sensors.Sample) bool { return smp.Quality == q }
}

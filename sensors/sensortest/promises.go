package sensortest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"time"

	"gapward/sensors"
)

func hasAName(h Harness) error {
	if h.Source.Name() == "" {
		return errors.New("the source has no name")
	}
	return nil
}

// keepsOrder receives for a while; [session.inspect] does the looking.
func keepsOrder(h Harness) error {
	s := start(h, 0)
	defer s.cancel()
	err := s.some(20*len(h.Channels), func(sensors.Sample) error { return nil })
	if err != nil && !(h.Set == nil && errors.Is(err, errEnded)) {
		return err
	}
	return s.stop()
}

// scribble is what a receiver may write over a batch that it was given.
var scribble = sensors.Sample{AtNS: math.MinInt64, Value: -12345, Brake: 99, Signal: sensors.Temperature, Quality: 200}

// givesBatchesAway keeps every batch, writes over it and beyond it, and wants
// neither the writing to come back nor anything to be written on top of it.
// Under the race detector it also finds a source that reads a batch it sent.
func givesBatchesAway(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	var kept [][]sensors.Sample
	given := make(map[*sensors.Sample]bool)
	deadline := time.After(h.within())
	for n := 0; n < 10*len(h.Channels); {
		batch, err := s.next(deadline)
		if err != nil {
			if h.Set == nil && errors.Is(err, errEnded) {
				break
			}
			return fmt.Errorf("of a batch that the receiver had written on, or while waiting for more: %w", err)
		}
		n += len(batch)
		whole := batch[:cap(batch)]
		for i := range whole {
			if given[&whole[i]] {
				return errors.New("a batch lies in the memory of one that was given away before")
			}
			given[&whole[i]] = true
			whole[i] = scribble
		}
		kept = append(kept, whole)
	}
	if err := s.stop(); err != nil {
		return err
	}
	for i, batch := range kept {
		if j := slices.IndexFunc(batch, func(smp sensors.Sample) bool { return smp != scribble }); j >= 0 {
			return fmt.Errorf("sample %d of batch %d of %d was written to after it had been sent", j, i, len(kept))
		}
	}
	return nil
}

func returnsWhenAlreadyCancelled(h Harness) error {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	done := make(chan error, 1)
	go func() { done <- h.Source.Run(ctx, make(chan []sensors.Sample)) }()
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("Run returned %q, want nil", err)
		}
		return nil
	case <-time.After(stopWithin):
		return fmt.Errorf("Run hadn't returned after %v", stopWithin)
	}
}

func returnsWhileReading(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	if _, err := s.next(time.After(h.within())); err != nil {
		return err
	}
	return s.stop()
}

// returnsFromBlockedSend never receives, so that Run stands in its first send.
// There is nothing to be seen of a blocked send from outside but that nothing
// happens, hence the wait.
func returnsFromBlockedSend(h Harness) error {
	s := start(h, 0)
	defer s.cancel()
	select {
	case err := <-s.done:
		return fmt.Errorf("Run returned (%v) while nobody received", err)
	case <-time.After(300 * time.Millisecond):
	}
	return s.stop()
}

func leavesNoGoroutine(h Harness) error {
	before := goroutinesAtRest()
	s := start(h, 1)
	defer s.cancel()
	if _, err := s.next(time.After(h.within())); err != nil {
		return err
	}
	if err := s.stop(); err != nil {
		return err
	}
	deadline := time.After(h.within())
	for runtime.NumGoroutine() > before { // the stand-in's end of a connection may need a moment
		select {
		case <-deadline:
			stacks := make([]byte, 1<<16)
			stacks = stacks[:runtime.Stack(stacks, true)]
			return fmt.Errorf("there were %d goroutines before Run and %d are left after it:\n%s",
				before, runtime.NumGoroutine(), stacks)
		case <-time.After(5 * time.Millisecond):
		}
	}
	return nil
}

// goroutinesAtRest is how many there are once the number stays the same, or after
// a second: what ends of an earlier use while a source runs would hide as many that
// it leaves.
func goroutinesAtRest() int {
	n := runtime.NumGoroutine()
	for same, looks := 0, 0; same < 20 && looks < 200; looks++ {
		time.Sleep(5 * time.Millisecond)
		now := runtime.NumGoroutine()
		if same++; now != n {
			n, same = now, 0
		}
	}
	return n
}

func readsValues(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	for _, second := range []bool{false, true, false} {
		s.set(second)
		if err := s.each("good with the value that was set", s.shows(second)); err != nil {
			return err
		}
	}
	return s.stop()
}

// silent breaks the device and waits until every signal shows it.
func (s *session) silent() error {
	s.h.Break()
	return s.each("without answer", isQuality(sensors.NoAnswer))
}

func showsOutage(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	s.set(false)
	if err := s.each("good with the value that was set", s.shows(false)); err != nil {
		return err
	}
	if err := s.silent(); err != nil {
		return fmt.Errorf("device broken: %w", err)
	}
	// The silence must stay visible, and nothing may pass for a reading.
	quiet := func(smp sensors.Sample) error {
		if smp.Signal != sensors.Tick && smp.Quality != sensors.NoAnswer {
			return fmt.Errorf("during the outage %v of brake %d was %v", smp.Signal, smp.Brake, smp.Quality)
		}
		return nil
	}
	if err := s.some(2*len(h.Channels), quiet); err != nil {
		return err
	}
	return s.stop()
}

func recoversEveryTime(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	second := false
	s.set(second)
	if err := s.each("good with the value that was set", s.shows(second)); err != nil {
		return err
	}
	for outage := 1; outage <= 3; outage++ {
		if err := s.silent(); err != nil {
			return fmt.Errorf("outage %d: %w", outage, err)
		}
		second = !second
		s.set(second)
		h.Heal()
		shows := s.shows(second)
		var old error
		err := s.each("good with the value set during the outage", func(smp sensors.Sample) bool {
			if smp.Quality == sensors.Good && !shows(smp) && old == nil {
				old = fmt.Errorf("after outage %d %v of brake %d was %v, a value from before it", outage, smp.Signal, smp.Brake, smp.Value)
			}
			return shows(smp)
		})
		if err != nil {
			return fmt.Errorf("after outage %d: %w", outage, err)
		}
		if old != nil {
			return old
		}
	}
	return s.stop()
}

func startsWithoutDevice(h Harness) error {
	for _, c := range h.Channels {
		h.Set(c.Signal, value(c.Signal, true))
	}
	h.Break()
	s := start(h, 1)
	defer s.cancel()
	if err := s.each("without answer", isQuality(sensors.NoAnswer)); err != nil {
		return err
	}
	h.Heal()
	if err := s.each("good once the device was there", s.shows(true)); err != nil {
		return err
	}
	return s.stop()
}

func returnsDuringOutage(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	if _, err := s.next(time.After(h.within())); err != nil {
		return err
	}
	if err := s.silent(); err != nil {
		return err
	}
	return s.stop()
}

func showsHang(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	s.set(false)
	if err := s.each("good with the value that was set", s.shows(false)); err != nil {
		return err
	}
	h.Hang()
	if err := s.each("without answer", isQuality(sensors.NoAnswer)); err != nil {
		return fmt.Errorf("device hanging: %w", err)
	}
	return s.stop()
}

// returnsFromBlockedRead ends the context while the source waits for a device
// that has taken the connection and says nothing.
func returnsFromBlockedRead(h Harness) error {
	h.Hang()
	s := start(h, 64)
	defer s.cancel()
	select {
	case err := <-s.done:
		return fmt.Errorf("Run returned (%v) while the device was hanging", err)
	case <-time.After(100 * time.Millisecond):
	}
	return s.stop()
}

func showsBadValue(h Harness) error {
	s := start(h, 1)
	defer s.cancel()
	s.set(false)
	if err := s.each("good with the value that was set", s.shows(false)); err != nil {
		return err
	}
	for _, c := range h.Channels {
		if c.Signal.Binary() {
			continue // many protocols have no invalid bit
		}
		h.Spoil(c.Signal)
		err := s.oneOf(c, "bad", isQuality(sensors.Bad))
		if err != nil {
			return err
		}
		h.Set(c.Signal, value(c.Signal, true))
		if err := s.oneOf(c, "good again", s.shows(true)); err != nil {
			return err
		}
	}
	return s.stop()
}

// oneOf receives until want is true of a sample of channel c.
func (s *session) oneOf(c sensors.Channel, what string, want func(sensors.Sample) bool) error {
	deadline := time.After(s.h.within())
	for {
		batch, err := s.next(deadline)
		if errors.Is(err, errTimeUp) {
			return fmt.Errorf("after %v no sample of %v of brake %d was %s", s.h.within(), c.Signal, c.Brake, what)
		}
		if err != nil {
			return err
		}
		for _, smp := range batch {
			if smp.Brake == c.Brake && smp.Signal == c.Signal && want(smp) {
				return nil
			}
		}
	}
}

package sensortest

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"gapward/sensors"
)

// fake is a device in memory and its source in one, with a flaw to choose.
type fake struct {
	flaw  string
	every time.Duration

	mu      sync.Mutex
	values  map[sensors.Signal]float64
	broken  bool
	hanging bool
}

var fakeChannels = []sensors.Channel{
	{Brake: 4, Name: "quay-2/main", Signal: sensors.Travel},
	{Brake: 4, Name: "quay-2/main", Signal: sensors.Drive},
	{Brake: 5, Name: "quay-2/creep", Signal: sensors.Temperature},
}

func newFake(flaw string) (*fake, Harness) {
	f := &fake{flaw: flaw, every: time.Millisecond, values: make(map[sensors.Signal]float64)}
	return f, Harness{
		Source:   f,
		Channels: fakeChannels,
		Set: func(s sensors.Signal, v float64) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.values[s] = v
		},
		Break:  func() { f.setBroken(true) },
		Heal:   func() { f.setBroken(false) },
		Hang:   func() { f.mu.Lock(); defer f.mu.Unlock(); f.hanging = true },
		Spoil:  func(s sensors.Signal) { f.mu.Lock(); defer f.mu.Unlock(); f.values[s] = math.NaN() },
		Within: 200 * time.Millisecond,
	}
}

func (f *fake) setBroken(b bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.broken = b
}

func (f *fake) Name() string {
	if f.flaw == "nameless" {
		return ""
	}
	return "fake"
}

// Run polls the values and does it right, but for the flaw.
func (f *fake) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	if f.flaw == "returns the context's error" {
		<-ctx.Done()
		return ctx.Err()
	}
	if f.flaw == "leaks a goroutine" {
		go func() { time.Sleep(2 * time.Second) }()
	}
	if f.flaw == "closes the channel" {
		defer close(out)
	}
	var reused [4][]sensors.Sample // enough that the race detector sees an order
	var before map[sensors.Signal]float64
	wasBroken := false
	for n := 0; ; n++ {
		if f.flaw == "gives up" && n == 5 {
			return errors.New("had enough")
		}
		if f.flaw == "ends" && n == 5 {
			return nil
		}
		batch := make([]sensors.Sample, 0, len(fakeChannels))
		if f.flaw == "reuses its batch" {
			batch = reused[n%4][:0]
		}
		now := time.Now().UnixNano()
		if f.flaw == "wrong clock" {
			now /= 1000
		}
		f.mu.Lock()
		broken := f.broken || f.hanging
		for i, c := range fakeChannels {
			smp := sensors.Sample{AtNS: now, Value: f.values[c.Signal], Brake: c.Brake, Signal: c.Signal}
			switch {
			case broken:
				smp.Quality, smp.Value = sensors.NoAnswer, 0
			case math.IsNaN(smp.Value) && f.flaw != "trusts what's bad":
				smp.Quality, smp.Value = sensors.Bad, 0
			case wasBroken && f.flaw == "shows an old value after an outage":
				smp.Value = before[c.Signal]
			}
			switch {
			case f.flaw == "hides one silent signal" && broken && i == 1:
				continue
			case f.flaw == "says it once" && broken && wasBroken:
				continue
			case f.flaw == "repeats the last value when silent" && broken:
				smp.Quality, smp.Value = sensors.Good, f.values[c.Signal]
			case f.flaw == "out of order within a batch" && n > 2:
				smp.AtNS -= int64(i) * 1000
			case f.flaw == "wrong brake":
				smp.Brake++
			case f.flaw == "value off by a little":
				smp.Value += 0.02
			}
			batch = append(batch, smp)
		}
		if f.flaw == "out of order between batches" && n%2 == 1 {
			for i := range batch {
				batch[i].AtNS -= int64(time.Second)
			}
		}
		if !broken {
			if !wasBroken {
				before = map[sensors.Signal]float64{}
				for k, v := range f.values {
					before[k] = v
				}
			}
		}
		stuck := f.flaw == "never recovers" && wasBroken
		if !stuck {
			wasBroken = broken
		}
		f.mu.Unlock()
		if stuck {
			<-ctx.Done()
			return nil
		}
		reused[n%4] = batch
		switch {
		case f.flaw == "blocks on send":
			out <- batch
		case len(batch) == 0:
		default:
			select {
			case out <- batch:
			case <-ctx.Done():
				return nil
			}
		}
		if f.flaw == "slow to return" {
			<-ctx.Done()
			time.Sleep(stopWithin + 200*time.Millisecond)
			return nil
		}
		if f.hang(ctx) {
			return nil
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(f.every):
		}
	}
}

// hang stands in a read that ctx doesn't reach, where that's the flaw.
func (f *fake) hang(ctx context.Context) bool {
	f.mu.Lock()
	hanging := f.hanging
	f.mu.Unlock()
	if !hanging || f.flaw != "blocks on read" {
		return false
	}
	<-ctx.Done()
	time.Sleep(stopWithin + 200*time.Millisecond)
	return true
}

func TestASourceThatKeepsItsPromises(t *testing.T) {
	Run(t, func(t *testing.T) Harness {
		_, h := newFake("")
		return h
	})
}

// TestSourcesThatBreakAPromise holds the suite to its own job: each flaw must
// be found, by the promise that it breaks.
func TestSourcesThatBreakAPromise(t *testing.T) {
	for _, c := range []struct{ flaw, promise string }{
		{"leaks a goroutine", "LeavesNoGoroutine"}, // first: the goroutines of others would blur the count
		{"nameless", "HasAName"},
		{"out of order within a batch", "KeepsOrder"},
		{"out of order between batches", "KeepsOrder"},
		{"wrong brake", "KeepsOrder"},
		{"wrong clock", "KeepsOrder"},
		{"gives up", "KeepsOrder"},
		{"ends", "KeepsOrder"},
		{"reuses its batch", "GivesBatchesAway"},
		{"closes the channel", "ReturnsWhileReading"},
		{"returns the context's error", "ReturnsWhenAlreadyCancelled"},
		{"slow to return", "ReturnsWhileReading"},
		{"blocks on send", "ReturnsFromBlockedSend"},
		{"value off by a little", "ReadsValues"},
		{"hides one silent signal", "ShowsOutage"},
		{"says it once", "ShowsOutage"},
		{"repeats the last value when silent", "ShowsOutage"},
		{"never recovers", "RecoversEveryTime"},
		{"shows an old value after an outage", "RecoversEveryTime"},
		{"blocks on read", "ReturnsFromBlockedRead"},
		{"trusts what's bad", "ShowsBadValue"},
	} {
		t.Run(c.flaw, func(t *testing.T) {
			_, h := newFake(c.flaw)
			for _, p := range promises() {
				if p.name != c.promise {
					continue
				}
				err := p.check(h)
				if err == nil {
					t.Fatalf("%s didn't notice", p.name)
				}
				t.Log(err)
				return
			}
			t.Fatalf("there is no promise %s", c.promise)
		})
	}
}

// tape is a source with an end.
type tape struct{ from time.Time }

func (t *tape) Name() string { return "tape" }

func (t *tape) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	for i := range 4 {
		at := t.from.Add(time.Duration(i) * time.Second).UnixNano()
		batch := []sensors.Sample{{AtNS: at, Brake: 4, Signal: sensors.Travel, Value: 2}, sensors.TickAt(at)}
		select {
		case out <- batch:
		case <-ctx.Done():
			return nil
		}
	}
	return nil
}

func TestASourceWithAnEnd(t *testing.T) {
	Run(t, func(t *testing.T) Harness {
		return Harness{Source: &tape{time.Date(2025, 3, 1, 6, 0, 0, 0, time.UTC)}, Channels: fakeChannels}
	})
}

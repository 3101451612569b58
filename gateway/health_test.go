package gateway

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gapward/gateway/store"
	"gapward/sensors"
)

// What the page tells at /healthz and the service manager's watchdog is fed by:
// the daemon is alive while its owner goes round and its poll loops send, and
// says which of them doesn't.
func TestAliveWhileEverythingAdvances(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatch([]string{"quay-io", "trolley"}, time.Now())
		quay, broker := w.loop("quay-io", time.Minute), w.loop("trolley", 0)
		alive := func() error { return w.alive(time.Now()) }
		// pass lets time go by while some go on.
		pass := func(d time.Duration, going ...func()) {
			for end := time.Now().Add(d); time.Now().Before(end); {
				for _, f := range going {
					f()
				}
				time.Sleep(time.Second)
			}
		}
		turns, polls, hears := w.turn, func() { w.heard(quay) }, func() { w.heard(broker) }

		if pass(time.Hour, turns, polls, hears); alive() != nil {
			t.Errorf("all goes on: %v", alive())
		}
		if pass(time.Hour, turns, polls); alive() != nil {
			t.Errorf("a broker is silent, whose senders may be: %v", alive())
		}
		if pass(stuckAfter-2*time.Second, polls); alive() != nil {
			t.Errorf("a turn takes %v: %v", stuckAfter-2*time.Second, alive())
		}
		if pass(4*time.Second, polls); alive() == nil || !strings.Contains(alive().Error(), "the pipeline has not moved for") {
			t.Errorf("the owner stands still: %v", alive())
		}
		if pass(2*time.Second, turns, polls); alive() != nil {
			t.Errorf("it goes on: %v", alive())
		}
		if pass(58*time.Second, turns); alive() != nil {
			t.Errorf("a poll loop is quiet, but not for long: %v", alive())
		}
		if pass(4*time.Second, turns); alive() == nil || !strings.Contains(alive().Error(), "the polling of quay-io has not moved for") {
			t.Errorf("a poll loop stands still: %v", alive())
		}
		quay.over.Store(true) // it has given up, which /readyz tells
		if pass(2*time.Second, turns); alive() != nil {
			t.Errorf("a loop that has ended by itself: %v", alive())
		}
	})
}

// What isn't working, and since when, is told at /readyz.
func TestReadySaysWhatIsNot(t *testing.T) {
	began := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	w := newWatch([]string{"quay-io", "trolley"}, began)
	want := func(parts ...string) {
		t.Helper()
		err := w.ready()
		if len(parts) == 0 && err != nil {
			t.Errorf("%v, want ready", err)
		}
		for _, p := range parts {
			if err == nil || !strings.Contains(err.Error(), p) {
				t.Errorf("%v, want %q in it", err, p)
			}
		}
		if err != nil && strings.Count(err.Error(), "\n")+1 != len(parts) {
			t.Errorf("%v has other lines than %q", err, parts)
		}
	}
	want("device quay-io: nothing heard yet", "device trolley: nothing heard yet")
	w.Polled("quay-io", sensors.Poll{At: began.Add(time.Second)})
	w.Polled("trolley", sensors.Poll{At: began.Add(time.Second)})
	want()
	w.Polled("quay-io", sensors.Poll{At: began.Add(time.Minute), Err: errors.New("no answer")})
	w.Polled("quay-io", sensors.Poll{At: began.Add(2 * time.Minute), Err: errors.New("no answer")})
	want("device quay-io: since 2026-03-02T08:01:00Z: no answer")
	w.stored(errors.New("the disk is full"), began.Add(time.Hour))
	w.stored(errors.New("the disk is full"), began.Add(2*time.Hour))
	want("device quay-io: since 2026-03-02T08:01:00Z: no answer", "store: since 2026-03-02T09:00:00Z: the disk is full")
	w.Polled("quay-io", sensors.Poll{At: began.Add(3 * time.Hour)})
	w.stored(nil, began.Add(3*time.Hour))
	want()
}

// A writer that hangs, as on a network drive that is gone, keeps the owner from
// going round: the daemon isn't alive any more, and is again when it goes on.
func TestHungWriterIsNotAlive(t *testing.T) {
	hung, goOn := make(chan struct{}), make(chan struct{})
	samples, settings := benchSamples(t, 1)
	o := house(t, NewPipeline(settings, false))
	o.watch.began = time.Now().Add(-time.Hour) // so that no test has to wait for it
	o.watch.turn()
	once := false
	o.committed = func(b *store.Batch) {
		if len(b.Cycles) > 0 && !once {
			once = true
			close(hung)
			<-goOn
		}
	}
	o.log = slog.New(slog.DiscardHandler)
	in, last := make(chan arrival, 1), make(chan struct{})
	ended := make(chan struct{})
	shift := time.Now().UnixNano() - samples[len(samples)/4].AtNS
	for i := range samples[:len(samples)/4] {
		samples[i].AtNS += shift
	}
	// Before the owner runs: else its first turn may come first, and what was
	// measured before that is too late.
	in <- arrival{0, samples[:len(samples)/4]}
	go func() { defer close(ended); o.run(context.WithoutCancel(t.Context()), in, last) }()
	select {
	case <-hung:
	case <-time.After(time.Minute):
		t.Fatal("the owner has stored no cycle")
	}
	turned := o.watch.began.Add(time.Duration(o.watch.turned.Load()))
	if err := o.watch.alive(turned.Add(stuckAfter)); err != nil {
		t.Errorf("after %v: %v", stuckAfter, err)
	}
	if err := o.watch.alive(turned.Add(stuckAfter + 1)); err == nil {
		t.Error("a writer that hangs counts as alive")
	}
	close(goOn)
	close(last)
	<-ended
	if err := o.watch.alive(time.Now()); err != nil {
		t.Errorf("it went on: %v", err)
	}
}

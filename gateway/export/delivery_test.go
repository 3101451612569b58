package export

import (
	"context"
	"errors"
	"maps"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// far is a far end that takes rows, or not.
type far struct {
	wants Wants
	mu    sync.Mutex
	got   Rows
	calls int
	at    []time.Time
	take  func(Rows) error // nil takes all
}

func (f *far) Name() string { return "far" }
func (f *far) Wants() Wants { return f.wants }
func (f *far) Deliver(ctx context.Context, r Rows) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls++
	f.at = append(f.at, time.Now())
	if f.take != nil {
		if err := f.take(r); err != nil {
			return err
		}
	}
	f.got.Cycles = append(f.got.Cycles, r.Cycles...)
	f.got.Alarms = append(f.got.Alarms, r.Alarms...)
	f.got.Forecasts = append(f.got.Forecasts, r.Forecasts...)
	f.got.Verdicts = append(f.got.Verdicts, r.Verdicts...)
	return nil
}

func (f *far) cycleIDs() []int64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	var ids []int64
	for _, c := range f.got.Cycles {
		ids = append(ids, c.ID)
	}
	return ids
}

func upTo(n int64) []int64 {
	var ids []int64
	for i := range n {
		ids = append(ids, i+1)
	}
	return ids
}

// everything wants all there is.
var everything = Wants{Cycles: true, Verdicts: true, Forecasts: true, Alarms: true, History: true}

func ignore(Progress) {}

// TestDeliversAllInOrder delivers a backlog of several batches, then what comes
// while it runs, and after a restart only what is new.
func TestDeliversAllInOrder(t *testing.T) {
	db := openStore(t)
	commit(t, db, batch(0, 1203))
	f := &far{wants: everything}
	run := func(until func() bool) {
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- Run(ctx, db, f, testLog(t), ignore) }()
		eventually(t, "all delivered", until)
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	run(func() bool { return len(f.cycleIDs()) == 1203 })
	if f.calls < 3 {
		t.Errorf("1203 cycles came in %d deliveries, want batches of %d at most", f.calls, batchSize)
	}
	first := true
	run(func() bool {
		if first {
			commit(t, db, batch(5000, 10))
			first = false
		}
		return len(f.cycleIDs()) == 1213
	})
	if !slices.Equal(f.cycleIDs(), upTo(1213)) {
		t.Error("the cycles didn't come once each and in order")
	}
	if len(f.got.Alarms) != 6 || len(f.got.Forecasts) != 4 || len(f.got.Verdicts) != 4 {
		t.Errorf("delivered %d alarms, %d forecasts, %d verdicts", len(f.got.Alarms), len(f.got.Forecasts), len(f.got.Verdicts))
	}
}

func TestNoHistoryForWhoWantsNone(t *testing.T) {
	db := openStore(t)
	commit(t, db, batch(0, 20))
	f := &far{wants: Wants{Cycles: true, Alarms: true, Verdicts: true}}
	if err := Flush(t.Context(), db, f, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	if len(f.got.Cycles)+len(f.got.Alarms)+len(f.got.Forecasts) != 0 || len(f.got.Verdicts) != 2 {
		t.Errorf("at the first start it got %+v; want the state of today only", f.got)
	}
	// What is stored while it isn't running, it gets.
	commit(t, db, batch(100, 2))
	if err := Flush(t.Context(), db, f, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(f.cycleIDs(), []int64{21, 22}) || len(f.got.Alarms) != 3 || len(f.got.Forecasts) != 0 {
		t.Errorf("then it got cycles %v, %d alarms, %d forecasts", f.cycleIDs(), len(f.got.Alarms), len(f.got.Forecasts))
	}
}

// TestBadRowsAreSetAside has a far end that refuses some rows for good, and
// wants all others delivered once and in order.
func TestBadRowsAreSetAside(t *testing.T) {
	for _, c := range []struct {
		name     string
		bad      map[int64]bool
		attempts int // at most
	}{
		{"one", map[int64]bool{317: true}, 40},
		{"the first and the last", map[int64]bool{1: true, 1200: true}, 80},
		{"neighbours", map[int64]bool{500: true, 501: true, 502: true}, 60},
		{"hundreds in a row", maps.Collect(func(yield func(int64, bool) bool) {
			for i := int64(200); i < 600 && yield(i, true); i++ {
			}
		}), 460},
	} {
		t.Run(c.name, func(t *testing.T) {
			db := openStore(t)
			commit(t, db, batch(0, 1200))
			f := &far{wants: Wants{Cycles: true, History: true}, take: func(r Rows) error {
				for _, row := range r.Cycles {
					if c.bad[row.ID] {
						return &Refused{Err: errors.New("not this one")}
					}
				}
				return nil
			}}
			var last Progress
			if err := Flush(t.Context(), db, f, quiet(), func(p Progress) { last = p }); err != nil {
				t.Fatal(err)
			}
			want := slices.DeleteFunc(upTo(1200), func(id int64) bool { return c.bad[id] })
			if !slices.Equal(f.cycleIDs(), want) {
				t.Errorf("%d cycles delivered, want the %d good ones once each", len(f.got.Cycles), len(want))
			}
			if last.SetAside != int64(len(c.bad)) || last.Delivered != int64(len(want)) || last.Backlog != 0 || last.Err != nil {
				t.Errorf("progress %+v", last)
			}
			if f.calls > c.attempts {
				t.Errorf("%d attempts, want %d at most", f.calls, c.attempts)
			}
		})
	}
}

// TestOutage wants a far end that is away for an hour to be tried ever more
// seldom, and then to get everything.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		db := openStore(t)
		commit(t, db, batch(0, 30))
		back := time.Now().Add(time.Hour)
		f := &far{wants: everything, take: func(Rows) error {
			if time.Now().Before(back) {
				return errors.New("nobody there")
			}
			return nil
		}}
		ctx, stop := context.WithCancel(t.Context())
		var mu sync.Mutex
		var progress []Progress
		done := make(chan error)
		go func() {
			done <- Run(ctx, db, f, testLog(t), func(p Progress) { mu.Lock(); defer mu.Unlock(); progress = append(progress, p) })
		}()
		time.Sleep(30 * time.Minute)
		synctest.Wait()
		mu.Lock()
		if p := progress[len(progress)-1]; p.Err == nil || p.Backlog != 30+2+3 {
			t.Errorf("half way the progress is %+v", p)
		}
		mu.Unlock()
		time.Sleep(32 * time.Minute)
		synctest.Wait()
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if !slices.Equal(f.cycleIDs(), upTo(30)) {
			t.Errorf("after the outage the cycles %v are there", f.cycleIDs())
		}
		if p := progress[len(progress)-1]; p.Err != nil || p.Backlog != 0 {
			t.Errorf("after the outage the progress is %+v", p)
		}
		for i := 1; i < len(f.at); i++ {
			waited := f.at[i].Sub(f.at[i-1])
			if waited > longestWait || waited < firstWait/2 || i > 10 && waited < longestWait/2 {
				t.Errorf("attempt %d came %v after the one before", i+1, waited)
			}
		}
		if n := len(f.at); n < 60 || n > 130 {
			t.Errorf("%d attempts in an hour", n)
		}
	})
}

func TestBusyFarEndIsHeeded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		db := openStore(t)
		commit(t, db, batch(0, 3))
		f := &far{wants: everything}
		f.take = func(Rows) error {
			if f.calls == 1 {
				return &Busy{Err: errors.New("too many"), After: 17 * time.Second}
			}
			return nil
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- Run(ctx, db, f, testLog(t), ignore) }()
		time.Sleep(20 * time.Second)
		synctest.Wait()
		stop()
		<-done
		if len(f.at) != 2 || f.at[1].Sub(f.at[0]) != 17*time.Second {
			t.Errorf("attempts at %v, want the second 17 s after the first", f.at)
		}
	})
}

// TestStopWhileDelivering wants Run to end at once with a far end that hangs,
// and the rows to be delivered after the restart.
func TestStopWhileDelivering(t *testing.T) {
	db := openStore(t)
	commit(t, db, batch(0, 3))
	entered := make(chan struct{})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- Run(ctx, db, hanging{entered}, testLog(t), ignore) }()
	<-entered
	stop()
	if err := <-done; err != nil {
		t.Errorf("stopped with %v", err)
	}
	f := &far{wants: everything}
	if err := Flush(t.Context(), db, renamed{f, "hanging"}, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(f.cycleIDs(), upTo(3)) {
		t.Errorf("after the restart the cycles %v came", f.cycleIDs())
	}
}

type hanging struct{ entered chan struct{} }

func (hanging) Name() string { return "hanging" }
func (hanging) Wants() Wants { return everything }
func (h hanging) Deliver(ctx context.Context, _ Rows) error {
	close(h.entered)
	<-ctx.Done()
	return ctx.Err()
}

type renamed struct {
	Sink
	name string
}

func (r renamed) Name() string { return r.name }

// TestTwoSinksDoNotMeet wants each sink to have its own cursors.
func TestTwoSinksDoNotMeet(t *testing.T) {
	db := openStore(t)
	commit(t, db, batch(0, 5))
	a, b := &far{wants: everything}, &far{wants: everything}
	for _, s := range []Sink{renamed{a, "a"}, renamed{b, "b"}} {
		if err := Flush(t.Context(), db, s, testLog(t), ignore); err != nil {
			t.Fatal(err)
		}
	}
	if !slices.Equal(a.cycleIDs(), upTo(5)) || !slices.Equal(b.cycleIDs(), upTo(5)) {
		t.Errorf("the sinks got %v and %v", a.cycleIDs(), b.cycleIDs())
	}
}

func TestFirstAndWithout(t *testing.T) {
	b := batch(0, 4)
	all := Rows{Alarms: b.Alarms, Verdicts: b.Verdicts, Forecasts: b.Forecasts, Cycles: b.Cycles}
	for n := range all.Len() + 2 {
		first := all.first(n)
		if first.Len() != min(n, all.Len()) || all.without(first).Len() != all.Len()-first.Len() {
			t.Errorf("the first %d of %d rows are %d, and %d are left", n, all.Len(), first.Len(), all.without(first).Len())
		}
	}
	if f := all.first(4); len(f.Alarms) != 3 || len(f.Verdicts) != 1 {
		t.Errorf("the first four: %d alarms and %d verdicts, want 3 and 1", len(f.Alarms), len(f.Verdicts))
	}
}

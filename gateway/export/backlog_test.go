package export

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// upsert is a far end that writes by id, so that twice is once, and whose
// answer now and then gets lost after it has written.
type upsert struct {
	down     func() bool
	loseEach int // one answer in so many gets lost; 0: none
	cycles   map[int64]int
	alarms   map[int64]time.Time // when each came first
	order    []int64             // of the first coming of each cycle
	took     int                 // deliveries
	most     int                 // rows in one
	heap     func()
}

func (u *upsert) Name() string { return "far" }
func (u *upsert) Wants() Wants { return everything }
func (u *upsert) Deliver(_ context.Context, r Rows) error {
	if u.down() {
		return errors.New("nobody there")
	}
	u.took++
	u.most = max(u.most, r.Len())
	time.Sleep(40 * time.Millisecond) // a round trip
	for _, c := range r.Cycles {
		if u.cycles[c.ID]++; u.cycles[c.ID] == 1 {
			u.order = append(u.order, c.ID)
		}
	}
	for _, a := range r.Alarms {
		if _, ok := u.alarms[a.ID]; !ok {
			u.alarms[a.ID] = time.Now()
		}
	}
	u.heap()
	if u.loseEach > 0 && u.took%u.loseEach == 0 {
		return errors.New("the answer was lost")
	}
	return nil
}

// TestAnHourOfBacklog has the far end away for an hour at 500 cycles a minute.
// Then everything arrives, each row once by its id and in order; what happens
// meanwhile isn't kept waiting behind the backlog; and memory doesn't grow with
// it.
func TestAnHourOfBacklog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		db := openStore(t)
		back := time.Now().Add(time.Hour)
		var idle, peak uint64
		measure := func() uint64 {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		u := &upsert{down: func() bool { return time.Now().Before(back) }, loseEach: 7, cycles: map[int64]int{}, alarms: map[int64]time.Time{}}
		u.heap = func() {
			if u.took%10 == 0 {
				peak = max(peak, measure())
			}
		}
		var progress Progress
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- Run(ctx, db, u, quiet(), func(p Progress) { progress = p }) }()

		stored := 0
		var written []time.Time // when each alarm was stored
		minute := func(cycles int) {
			b := batch(stored, cycles)
			stored += cycles
			commit(t, db, b)
			for range b.Alarms {
				written = append(written, time.Now())
			}
		}
		for range 60 {
			minute(500)
			time.Sleep(time.Minute)
		}
		synctest.Wait()
		if len(u.cycles) != 0 || progress.Backlog < 30_000 {
			t.Fatalf("during the outage %d cycles came, and the backlog is %d", len(u.cycles), progress.Backlog)
		}
		u.order = make([]int64, 0, 40_000)
		idle = measure()

		// It is back within a minute; work goes on at the same pace.
		caughtUp := time.Time{}
		for i := range 5 * 60 {
			minute([]int{8, 9, 8}[i%3])
			time.Sleep(time.Second)
			synctest.Wait()
			if caughtUp.IsZero() && progress.Backlog == 0 && progress.Err == nil {
				caughtUp = time.Now()
			}
		}
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if !slices.Equal(u.order, upTo(int64(stored))) {
			t.Errorf("%d of %d cycles came, or not in order", len(u.order), stored)
		}
		twice := 0
		for _, n := range u.cycles {
			if n > 1 {
				twice++
			}
		}
		if twice == 0 || twice > u.took/7*batchSize {
			t.Errorf("%d cycles came again after a lost answer; %d answers of at most %d rows were lost", twice, u.took/7, batchSize)
		}
		if caughtUp.IsZero() || caughtUp.Sub(back) > 4*time.Minute {
			t.Errorf("caught up at %v, the far end was back at %v", caughtUp, back)
		}
		// New alarms don't wait behind old cycles: longest is a back-off after a
		// lost answer, and before that the outage's own.
		for id, at := range u.alarms {
			if stored := written[id-1]; stored.After(back.Add(time.Minute)) && at.Sub(stored) > 3*time.Second {
				t.Errorf("alarm %d came %v after it was stored", id, at.Sub(stored))
			}
		}
		if len(u.alarms) != len(written) {
			t.Errorf("%d of %d alarms came", len(u.alarms), len(written))
		}
		if u.most > batchSize {
			t.Errorf("a delivery had %d rows", u.most)
		}
		// The far end's own books are the test's: a word and a map's entry a row.
		const books = 40_000 * 100
		if grown := int64(peak) - int64(idle); grown > books+8<<20 {
			t.Errorf("memory grew by %d kB", grown>>10)
		} else {
			t.Logf("%d cycles in %d deliveries; memory grew by %d kB, caught up %v after it was back", stored, u.took, grown>>10, caughtUp.Sub(back))
		}
	})
}

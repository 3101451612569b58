package page

import (
	"context"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/page/pagetest"
	"gapward/gateway/store"
)

// BenchmarkFollowed measures what two hundred browsers cost that follow a
// thousand brakes live, half of them the board and half a brake each, while fifty
// cycles a second are stored: the processor's time a second, of page, browsers
// and store together, beside that of the storing alone in the same run. What
// others do on the machine hardly matters to it.
//
//	go test -run '^$' -bench Followed -benchtime 1x ./gateway/page
func BenchmarkFollowed(b *testing.B) {
	const viewers, brakes, each = 200, 1000, 10 * time.Second
	for b.Loop() {
		deps, data := yard(b, brakes)
		cycle := data.cycles[deps.Brakes[0].Name][0]
		data.cycles, data.waves = map[string][]store.CycleRow{}, map[string]analysis.Waveform{}
		db := filledStore(b, data)
		deps.Data = db
		base, stop := served(b, serverOf(b, deps))
		alone := storing(b, db, deps.Brakes, cycle, data.verdicts, each)
		ctx, end := context.WithCancel(b.Context())
		var all sync.WaitGroup
		var sent, bytes atomic.Int64
		began := time.Now()
		for i := range viewers {
			at := "/"
			if i%2 == 1 {
				at = "/brake/" + deps.Brakes[i].Name
			}
			all.Go(func() { pagetest.Follow(ctx, base, at, &sent, &bytes) })
		}
		for sent.Load() < viewers && time.Since(began) < time.Minute {
			time.Sleep(20 * time.Millisecond)
		}
		loaded := time.Since(began)
		sent.Store(0)
		with := storing(b, db, deps.Brakes, cycle, data.verdicts, each)
		end()
		all.Wait()
		if err := stop(); err != nil {
			b.Error(err)
		}
		b.Logf("%d viewers of %d brakes, loaded within %v: %.1f ms of processor a second, and %.1f ms without them; %.0f parts a second",
			viewers, brakes, loaded.Round(time.Millisecond), with, alone, float64(sent.Load())/each.Seconds())
		b.ReportMetric(with-alone, "cpu-ms/s")
		b.ReportMetric(float64(sent.Load())/each.Seconds(), "parts/s")
		if sent.Load() == 0 {
			b.Error("nobody saw anything")
		}
	}
}

// storing stores fifty cycles a second for a while, and gives the processor's
// time that the process took meanwhile, ms a second.
func storing(b *testing.B, db *store.DB, brakes []Brake, cycle store.CycleRow, verdicts map[string]analysis.Verdict, d time.Duration) float64 {
	b.Helper()
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	began, before := time.Now(), used()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for time.Since(began) < d {
		<-tick.C
		name := brakes[rand.IntN(len(brakes))].Name
		c, v := cycle, verdicts[name]
		c.ID, c.Brake, c.AtNS = 0, name, time.Now().UnixNano()
		v.AtNS = c.AtNS
		if err := db.Commit(b.Context(), &store.Batch{Cycles: []store.CycleRow{c}, Verdicts: []store.VerdictRow{{Brake: name, Verdict: v}}}); err != nil {
			b.Fatal(err)
		}
	}
	return (used() - before).Seconds() * 1e3 / time.Since(began).Seconds()
}

package gateway

import (
	"bytes"
	"context"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/gateway/export"
	"gapward/gateway/store"
	"gapward/sensors"
)

// house is an owner with a store of its own and no goroutine.
func house(t *testing.T, p *Pipeline) *owner {
	t.Helper()
	lg := slog.New(slog.DiscardHandler)
	db, err := store.Open(t.Context(), t.TempDir(), lg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return &owner{pipeline: p, order: newOrder(20*time.Millisecond, 1), db: db, upkeep: upkeep{keep: store.KeepByDefault()},
		watch: newWatch(nil, time.Now()), log: lg, committed: func(*store.Batch) {}, signals: func(*Pipeline) {}}
}

// gatewayEvents are the stored changes of the gateway's own alarm.
func gatewayEvents(t *testing.T, db *store.DB) (own []alerts.Event) {
	t.Helper()
	rows, err := db.AlarmsAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.Brake == "" {
			own = append(own, r.Event)
		}
	}
	return own
}

// TestClockStepsOfHours has the machine's clock set forward by three hours in
// the midst of the work, and back by two later: cycles stay in order, no time
// measured is touched, at most the cycles under way at the first step are lost,
// and both steps are on record.
func TestClockStepsOfHours(t *testing.T) {
	samples, settings := benchSamples(t, 2)
	for i := range settings {
		settings[i].Drive.StaleAfter, settings[i].Travel.StaleAfter = 5*time.Second, 5*time.Second
	}
	begin := samples[0].AtNS
	span := samples[len(samples)-1].AtNS - begin
	run := func(steps bool) (cycles []store.CycleRow, own []alerts.Event, late int64) {
		o := house(t, NewPipeline(settings, false))
		const forward, back = int64(3 * time.Hour), int64(2 * time.Hour)
		i := 0
		for at := int64(0); at < span; at += int64(turnEvery) {
			// The sources follow forward, and not back.
			wall, source := int64(0), int64(0)
			if steps && at > span/3 {
				wall, source = forward, forward
			}
			if steps && at > 2*span/3 {
				wall = forward - back
			}
			var in []sensors.Sample
			for ; i < len(samples) && samples[i].AtNS-begin <= at; i++ {
				s := samples[i]
				s.AtNS += source
				in = append(in, s)
			}
			o.order.add(arrival{0, in}, time.Duration(at))
			o.turn(context.Background(), moment{begin + at + wall, time.Duration(at)})
		}
		o.end(context.Background(), moment{begin + span, time.Duration(span)})
		cycles, err := o.db.CyclesAfter(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		return cycles, gatewayEvents(t, o.db), o.order.late
	}
	plain, none, _ := run(false)
	stepped, own, late := run(true)
	if len(none) != 0 {
		t.Errorf("without a step the gateway raised %+v", none)
	}
	if late != 0 {
		t.Errorf("%d samples were left out", late)
	}
	if len(plain) < 20 || len(stepped) < len(plain)-2 || len(stepped) > len(plain) {
		t.Errorf("%d cycles with the steps, %d without", len(stepped), len(plain))
	}
	// The same cycle in the run without steps is the one at its time; what is
	// learned of edges moves that by some milliseconds.
	same := func(c store.CycleRow) (store.CycleRow, bool) {
		for _, was := range plain {
			for _, ahead := range []time.Duration{0, 3 * time.Hour} {
				if was.Brake == c.Brake && time.Duration(c.AtNS-was.AtNS-int64(ahead)).Abs() < 25*time.Millisecond {
					return was, true
				}
			}
		}
		return store.CycleRow{}, false
	}
	last := map[string]int64{}
	for _, c := range stepped {
		if c.AtNS <= last[c.Brake] {
			t.Fatalf("a cycle of %s at %v follows one at %v", c.Brake, time.Unix(0, c.AtNS), time.Unix(0, last[c.Brake]))
		}
		last[c.Brake] = c.AtNS
		was, ok := same(c)
		if !ok {
			t.Fatalf("without the steps there is no such cycle: %+v", c)
		}
		if time.Duration(c.OnNS-was.OnNS).Abs() > 25*time.Millisecond || math.Abs(c.ReleaseS-was.ReleaseS) > 0.025 || math.Abs(c.SetS-was.SetS) > 0.025 {
			t.Fatalf("on for %v, release %.4f s, set %.4f s; without the steps %v, %.4f s, %.4f s",
				time.Duration(c.OnNS), c.ReleaseS, c.SetS, time.Duration(was.OnNS), was.ReleaseS, was.SetS)
		}
	}
	var told []string
	for _, e := range own {
		if e.Change == alerts.Raised {
			told = append(told, e.Detail)
		}
	}
	if all := strings.Join(told, "\n"); !strings.Contains(all, "forward by 3h0m0s") || !strings.Contains(all, "back by 2h0m0s") {
		t.Errorf("of the steps is on record: %q", told)
	}
}

// TestLossIsBoundedAndCounted has a store that takes nothing for longer than
// memory may hold what was measured.
func TestLossIsBoundedAndCounted(t *testing.T) {
	o := house(t, NewPipeline(nil, false))
	good := o.db
	broken, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if err := broken.Close(); err != nil {
		t.Fatal(err)
	}
	o.db = broken
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC).UnixNano()
	at := time.Duration(0)
	turn := func() {
		at += retryEvery
		o.turn(context.Background(), moment{start + int64(at), at})
	}
	const measured = mostUnstored + 3000
	for i := range measured {
		o.batch.Cycles = append(o.batch.Cycles, store.CycleRow{Brake: "quay-2/main"})
		o.batch.Cycles[len(o.batch.Cycles)-1].AtNS = start + int64(i)
		if i%1000 == 999 {
			turn()
		}
	}
	if n := len(o.batch.Cycles); n != mostUnstored {
		t.Fatalf("%d cycles are kept in memory, want %d at most", n, mostUnstored)
	}
	if err := o.watch.ready(); err == nil || !strings.Contains(err.Error(), "store: since") {
		t.Errorf("readiness says %v", err)
	}
	failed := start + int64(retryEvery)

	o.db = good
	turn()
	turn()
	cycles, err := good.CyclesAfter(t.Context(), 0, 1e6)
	if err != nil || len(cycles) != mostUnstored || cycles[0].AtNS != start+3000 || cycles[len(cycles)-1].ID != mostUnstored {
		t.Errorf("%d cycles are stored (%v)", len(cycles), err)
	}
	if err := o.watch.ready(); err != nil {
		t.Errorf("afterwards readiness says %v", err)
	}
	own := gatewayEvents(t, good)
	if len(own) != 2 || own[0].AtNS != failed || !strings.HasPrefix(own[0].Detail, "the database takes nothing") ||
		!strings.Contains(own[1].Detail, "1000 cycles and 0 forecasts and alarms since the start were lost") {
		t.Fatalf("stored of the gateway's alarm: %+v", own)
	}
	// The loss itself stands for a day.
	at += 25 * time.Hour
	turn()
	turn()
	own = gatewayEvents(t, good)
	if last := own[len(own)-1]; last.Change != alerts.Cleared || !strings.Contains(last.Detail, "3000 cycles") {
		t.Errorf("a day later: %+v", last)
	}
}

func TestRefusedAndLateRowsAreAlarms(t *testing.T) {
	o := house(t, NewPipeline(nil, false))
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC).UnixNano()
	at := time.Duration(0)
	turn := func() {
		at += lookEvery
		o.turn(context.Background(), moment{start + int64(at), at})
	}
	turn()
	o.watch.exported(export.Progress{Exporter: "influx", SetAside: 2})
	o.watch.exported(export.Progress{Exporter: "mqtt"})
	turn()
	o.watch.exported(export.Progress{Exporter: "mqtt", SetAside: 1})
	o.order.late += lateAMinute - 1
	turn()
	turn()
	if told, _ := o.watch.ownAlarm(); len(gatewayEvents(t, o.db)) != 1 || !strings.Contains(o.faults.detail(), "exporter influx") || !strings.Contains(o.faults.detail(), "1 rows since the start were refused for good by the far end of exporter mqtt") {
		t.Errorf("after another exporter's the alarm stands with %q, told as %+v", o.faults.detail(), told)
	}
	if own := gatewayEvents(t, o.db); len(own) != 1 || own[0].Detail != "2 rows since the start were refused for good by the far end of exporter influx, and set aside" {
		t.Fatalf("after a refusal and few late samples: %+v", own)
	}
	o.order.late++
	turn()
	turn()
	if own := gatewayEvents(t, o.db); len(own) != 2 || !strings.Contains(own[1].Detail, "10 samples since the start came too late") {
		t.Fatalf("after many late samples: %+v", own)
	}
	if !math.IsNaN(gatewayEvents(t, o.db)[0].Value) {
		t.Error("the alarm has a value, though nothing was measured")
	}
}

func TestSetAsideDatabaseIsAnAlarm(t *testing.T) {
	o := house(t, NewPipeline(nil, false))
	if err := o.began(t.Context(), 1); err != nil || !o.batch.Empty() {
		t.Error("a sound database raised an alarm")
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "gapward.db"), bytes.Repeat([]byte("scrambled "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := store.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	o.db = db
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC).UnixNano()
	if err := o.began(t.Context(), start); err != nil {
		t.Fatal(err)
	}
	o.turn(context.Background(), moment{start, 0})
	own := gatewayEvents(t, db)
	if len(own) != 1 || own[0].Change != alerts.Raised || !strings.Contains(own[0].Detail, filepath.Base(db.SetAside())) || db.SetAside() == "" {
		t.Errorf("stored of the gateway's alarm: %+v", own)
	}
	// The page says so too, while it stands.
	rows, err := told{db, o.watch}.ActiveAlarms(t.Context())
	if err != nil || len(rows) != 1 || rows[0].Detail != own[0].Detail {
		t.Errorf("the page is told %+v (%v)", rows, err)
	}
}

// TestNothingIsLateAfterASlowTurn has a commit take ten seconds, in which a
// source goes on sending.
func TestNothingIsLateAfterASlowTurn(t *testing.T) {
	samples, settings := benchSamples(t, 1)
	o := house(t, NewPipeline(settings, false))
	begin := samples[0].AtNS
	in := make(chan arrival, 1024)
	i := 0
	for at := time.Duration(0); at < 30*time.Second; at += 20 * time.Millisecond {
		var batch []sensors.Sample
		for ; samples[i].AtNS-begin <= int64(at); i++ {
			batch = append(batch, samples[i])
		}
		in <- arrival{0, batch}
		if at > 10*time.Second && at < 20*time.Second {
			continue
		}
		o.gather(in, at)
		o.turn(context.Background(), moment{begin + int64(at), at})
	}
	if o.order.late != 0 {
		t.Errorf("%d samples were too late", o.order.late)
	}
}

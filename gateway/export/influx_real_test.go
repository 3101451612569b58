package export

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"runtime"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
)

// influxDaemon is a real InfluxDB 1.8, to be killed and started again.
type influxDaemon struct{ *exporttest.Influx }

func startInflux(t *testing.T) *influxDaemon {
	t.Helper()
	return &influxDaemon{exporttest.NewInflux(t)}
}

func (d *influxDaemon) url() string { return "http://" + d.Address }

// write writes a line as another program would.
func (d *influxDaemon) write(t *testing.T, line string) {
	t.Helper()
	resp, err := http.Post(d.url()+"/api/v2/write?bucket=hoists/autogen", "text/plain", strings.NewReader(line))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusNoContent {
		t.Fatalf("%s: status %d", line, resp.StatusCode)
	}
}

// wantPoint compares a point with what it must hold: texts, and figures, of
// which one that could not be had must be absent.
func wantPoint(t *testing.T, what string, got map[string]any, atNS int64, texts map[string]string, fields []field) {
	t.Helper()
	if at, _ := got["time"].(json.Number).Int64(); at != atNS {
		t.Fatalf("%s is at %v, want %d", what, got["time"], atNS)
	}
	for name, want := range texts {
		if has, _ := got[name].(string); has != want {
			t.Fatalf("%s has %s %v, want %q", what, name, got[name], want)
		}
	}
	for _, f := range fields {
		n, ok := got[f.name].(json.Number)
		v, _ := n.Float64()
		if had := !math.IsNaN(f.value) && !math.IsInf(f.value, 0); ok != had || ok && v != f.value {
			t.Fatalf("%s has %s %v, want %v", what, f.name, got[f.name], f.value)
		}
	}
}

// wantAllOf compares every point of InfluxDB with the store, and returns how
// many there are.
func (d *influxDaemon) wantAllOf(t *testing.T, db *store.DB) (points int) {
	t.Helper()
	ctx := t.Context()
	all := func(measurement string) map[string]map[string]any {
		byID := map[string]map[string]any{}
		rows := d.Ask(t, "GET", `SELECT * FROM `+measurement)
		for _, p := range rows {
			byID[p["id"].(json.Number).String()] = p
		}
		if len(byID) != len(rows) {
			t.Errorf("%s has %d points with %d ids", measurement, len(rows), len(byID))
		}
		return byID
	}
	cycles := all("gapward_cycle")
	n := 0
	for after, more := int64(0), true; more; {
		rows, err := db.CyclesAfter(ctx, after, 5000)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			wantPoint(t, fmt.Sprintf("cycle %d", r.ID), cycles[fmt.Sprint(r.ID)], r.AtNS,
				map[string]string{"site": site, "brake": r.Brake, "kind": r.Kind.String(), "flags": strings.Join(r.Flags.Names(), ",")}, cycleFields(r))
			after = r.ID
		}
		n += len(rows)
		more = len(rows) > 0
	}
	alarmRows, err := db.AlarmsAfter(ctx, 0, 100_000)
	if err != nil {
		t.Fatal(err)
	}
	alarms := all("gapward_alarm")
	for _, r := range alarmRows {
		wantPoint(t, fmt.Sprintf("alarm %d", r.ID), alarms[fmt.Sprint(r.ID)], r.AtNS,
			map[string]string{"site": site, "brake": r.Brake, "condition": string(r.Condition), "change": r.Change.String(), "state": r.State.String(), "device": r.Device, "signal": r.Signal, "by": r.By, "reason": r.Reason, "detail": r.Detail},
			[]field{{"active", active(r)}, {"value" + unitSuffix(r.Unit), r.Value}, {"limit" + unitSuffix(r.Unit), r.Limit}})
	}
	forecastRows, err := db.ForecastsAfter(ctx, 0, 100_000)
	if err != nil {
		t.Fatal(err)
	}
	forecasts := all("gapward_forecast")
	for _, r := range forecastRows {
		wantPoint(t, fmt.Sprintf("forecast %d", r.ID), forecasts[fmt.Sprint(r.ID)], r.AtNS,
			map[string]string{"site": site, "brake": r.Brake, "limit": r.Limit}, forecastFields(r))
	}
	if len(cycles) != n || len(alarms) != len(alarmRows) || len(forecasts) != len(forecastRows) {
		t.Errorf("InfluxDB has %d cycles, %d alarms and %d forecasts, the store %d, %d and %d",
			len(cycles), len(alarms), len(forecasts), n, len(alarmRows), len(forecastRows))
	}
	return len(cycles) + len(alarms) + len(forecasts)
}

// TestRealInflux delivers to InfluxDB 1.8, twice, with an outage between, and
// reads everything back.
func TestRealInflux(t *testing.T) {
	d := startInflux(t)
	db := openStore(t)
	commit(t, db, batch(0, 700))
	commit(t, db, &store.Batch{Alarms: []store.AlarmRow{silentAt("quay-io", 5), silentAt("pit-io", 5)}})
	odd := alarmAt(`quay 2/main, a=b\c "east"`, analysis.SignalFault, 6, alerts.Unacknowledged)
	odd.Signal, odd.By, odd.Reason, odd.Detail, odd.UntilNS = "travel", "Ö. Ström", `a "quoted" word, x=1`, "a\\b \\\"\nsecond line", startNS
	commit(t, db, &store.Batch{Alarms: []store.AlarmRow{odd}})
	x := newInflux(t, InfluxSettings{URL: d.url(), Bucket: "hoists/autogen"})
	// Without the database the rows wait.
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err == nil || !strings.Contains(err.Error(), "export.influx.org and bucket") {
		t.Fatalf("without a database: %v", err)
	}
	d.Ask(t, "POST", "CREATE DATABASE hoists")
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	// Killed, started again, and all is delivered once more: still one point a row.
	d.Kill()
	commit(t, db, batch(1000, 60))
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err == nil {
		t.Fatal("delivered to a dead server")
	}
	d.Start(t)
	if err := db.SetCursors(t.Context(), map[string]int64{"influx/cycles": 0, "influx/alarms": 0, "influx/forecasts": 0}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all is delivered again", func() bool { return Flush(t.Context(), db, x, testLog(t), ignore) == nil })
	if n := d.wantAllOf(t, db); n != 760+9+4 {
		t.Errorf("%d points, want %d", n, 760+9+4)
	}
}

// TestRealInfluxSetsBadRowsAside has another program give fields another type:
// of a batch only the rows that have such a field are set aside, each found by
// halving; all others are there.
func TestRealInfluxSetsBadRowsAside(t *testing.T) {
	d := startInflux(t)
	d.Ask(t, "POST", "CREATE DATABASE hoists")
	// temperature_c is in none of the cycles but the three that are made so;
	// forecasts all have gap_u_mm.
	d.write(t, fmt.Sprintf("gapward_cycle,site=elsewhere temperature_c=\"warm\" %d\n", startNS))
	d.write(t, fmt.Sprintf("gapward_forecast,site=elsewhere gap_u_mm=\"a string\" %d\n", startNS))
	db := openStore(t)
	b := batch(0, 1200)
	bad := map[int]bool{17: true, 18: true, 801: true}
	for i := range bad {
		b.Cycles[i].TemperatureC = 21.5
	}
	commit(t, db, b)
	x := newInflux(t, InfluxSettings{URL: d.url(), Bucket: "hoists/autogen"})
	var last Progress
	if err := Flush(t.Context(), db, x, testLog(t), func(p Progress) { last = p }); err != nil {
		t.Fatal(err)
	}
	if last.SetAside != 5 || last.Delivered != 1200-3+3 || last.Backlog != 0 {
		t.Errorf("with three cycles and two forecasts that can't be written: %+v", last)
	}
	got := map[string]bool{}
	for _, p := range d.Ask(t, "GET", `SELECT id FROM gapward_cycle WHERE site = '`+site+`'`) {
		got[p["id"].(json.Number).String()] = true
	}
	for i := range 1200 {
		if got[fmt.Sprint(i+1)] == bad[i] {
			t.Errorf("cycle %d is there: %v", i+1, !bad[i])
		}
	}
}

// TestRealInfluxAnHourAway has the server dead for an hour's work at 500 cycles
// a minute, the time compressed: 30,000 cycles and the alarms and forecasts
// between. Then it is back, is killed in the middle of catching up, and is back
// again. Everything must be there once, as it is in the store; an alarm of
// today doesn't wait behind the backlog; memory doesn't grow with it.
func TestRealInfluxAnHourAway(t *testing.T) {
	d := startInflux(t)
	d.Ask(t, "POST", "CREATE DATABASE hoists")
	db := openStore(t)
	x := newInflux(t, InfluxSettings{URL: d.url(), Bucket: "hoists/autogen"})
	commit(t, db, batch(0, 500))
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	heap := func() int64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	idle := heap()

	d.Kill()
	const minutes = 60
	for minute := range minutes {
		commit(t, db, batch(500*(minute+1), 500))
	}
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err == nil {
		t.Fatal("delivered to a dead server")
	}
	d.Start(t)

	// All that follows happens in the delivering goroutine, between two
	// deliveries, so it is the same on a slow machine.
	var peak, deliveries int64
	killed := make(chan struct{})
	var urgent, urgentAfter int64 // id of today's alarm, and the cycles delivered before it
	observe := func(p Progress) {
		ctx := context.Background()
		if p.Err != nil {
			return
		}
		if deliveries++; deliveries%10 == 0 {
			peak = max(peak, heap()-idle)
		}
		cycles, err := db.Cursor(ctx, "influx/cycles")
		if err != nil {
			t.Error(err)
		}
		alarms, err := db.Cursor(ctx, "influx/alarms")
		if err != nil {
			t.Error(err)
		}
		switch {
		case urgent == 0 && cycles > 5000:
			b := &store.Batch{Alarms: []store.AlarmRow{alarmAt(creepBrake, analysis.NotSet, 1_000_000, alerts.Unacknowledged)}}
			if err := db.Commit(ctx, b); err != nil {
				t.Error(err)
			}
			urgent = b.Alarms[0].ID
			d.Kill() // so the next delivery fails
			close(killed)
		case urgent != 0 && urgentAfter == 0 && alarms >= urgent:
			urgentAfter = cycles
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- Run(ctx, db, x, quiet(), observe) }()
	select {
	case <-killed:
		d.Start(t)
	case <-time.After(time.Minute):
		t.Error("it doesn't catch up")
	}
	want := int64(500 * (minutes + 1))
	eventually(t, "the cursor is at the last cycle", func() bool {
		id, err := db.Cursor(t.Context(), "influx/cycles")
		return err == nil && id == want
	})
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	points := d.wantAllOf(t, db)
	if urgentAfter == 0 || urgentAfter > want/2 {
		t.Errorf("an alarm of today came after %d of %d cycles of the backlog", urgentAfter, want)
	}
	if peak > 8<<20 {
		t.Errorf("memory grew by %d kB while catching up", peak>>10)
	}
	t.Logf("%d points as in the store, each once; today's alarm came after %d of %d cycles; memory grew by %d kB", points, urgentAfter, want, peak>>10)
}

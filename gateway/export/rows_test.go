package export

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// Names of the tests' site.
const (
	site       = "Kestrel Quay"
	mainBrake  = "quay-2/main"
	creepBrake = "quay-2/creep"
)

var startNS = time.Date(2026, 3, 1, 6, 0, 0, 123456789, time.UTC).UnixNano()

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func testLog(t testing.TB) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }

func openStore(t testing.TB) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), t.TempDir(), testLog(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

func commit(t testing.TB, db *store.DB, b *store.Batch) {
	t.Helper()
	if err := db.Commit(context.Background(), b); err != nil {
		t.Fatal(err)
	}
}

func cycleAt(brake string, i int) store.CycleRow {
	no := analysis.NoValue()
	c := store.CycleRow{Brake: brake, Cycle: analysis.Cycle{
		AtNS: startNS + int64(i)*int64(time.Second), OnNS: 4e9, GapMM: 1.6 + float64(i)/3000, GapUMM: 0.011, GapUCalMM: 0.01,
		ReleaseS: 0.2, ReleaseUS: 0.003, SetS: 0.25, SetUS: 0.004, SetLevelMM: 2.1, ReleasedLevelMM: 3.7, TemperatureC: no, Flags: analysis.FlagSpikes,
	}}
	if i%4 == 3 {
		c.Cycle = analysis.Cycle{AtNS: c.AtNS, OnNS: 1e8, Kind: analysis.Jog, GapMM: no, GapUMM: no, GapUCalMM: no,
			ReleaseS: no, ReleaseUS: no, SetS: no, SetUS: no, SetLevelMM: no, ReleasedLevelMM: no, TemperatureC: no}
	}
	return c
}

func alarmAt(brake string, c analysis.Condition, i int, state alerts.State) store.AlarmRow {
	change := alerts.Raised
	if state == alerts.Normal {
		change = alerts.Cleared
	}
	return store.AlarmRow{Event: alerts.Event{AtNS: startNS + int64(i)*int64(time.Second), Brake: brake, Condition: c, Change: change,
		State: state, SinceNS: startNS, Value: 2.81, U: 0.01, Limit: 2.8, Unit: "mm"}}
}

// silentAt is the alarm of a device that doesn't answer.
func silentAt(device string, i int) store.AlarmRow {
	a := alarmAt("", alerts.DeviceSilent, i, alerts.Unacknowledged)
	a.Device, a.Unit = device, "s"
	return a
}

func verdictOf(brake string, i int) store.VerdictRow {
	return store.VerdictRow{Brake: brake, Verdict: analysis.Verdict{AtNS: startNS + int64(i), State: analysis.InLimits, GapMM: 1.7, GapUMM: 0.02,
		ReleaseS: 0.21, ReleaseUS: 0.01, SetS: analysis.NoValue(), SetUS: analysis.NoValue(), Full: int64(i), Jogs: 3}}
}

// verdictOn is the verdict on a cycle.
func verdictOn(c store.CycleRow, i int) store.VerdictRow {
	v := verdictOf(c.Brake, i)
	v.AtNS = c.AtNS
	return v
}

func forecastOf(brake, limit string, i int) store.ForecastRow {
	no := analysis.NoValue()
	return store.ForecastRow{Brake: brake, Forecast: analysis.Forecast{AtNS: startNS + int64(i), Limit: limit, LimitMM: 2.8, GapMM: 1.7, GapUMM: 0.02,
		WearUMPerK: 12.5, WearUUMPerK: 1, Cycles: analysis.Quantiles{P05: 50_000, P50: 88_000, P95: no},
		DateNS: analysis.Quantiles{P05: 1.8e18, P50: 1.9e18, P95: math.Inf(1)}}}
}

// batch has n cycles from the i-th on, and some of all else.
func batch(i, n int) *store.Batch {
	b := &store.Batch{
		Verdicts:  []store.VerdictRow{verdictOf(mainBrake, i), verdictOf(creepBrake, i)},
		Forecasts: []store.ForecastRow{forecastOf(mainBrake, "adjust", i), forecastOf(mainBrake, "max", i)},
		Alarms: []store.AlarmRow{alarmAt(mainBrake, analysis.GapAdjust, i, alerts.Unacknowledged), alarmAt("", analysis.GatewayFault, i, alerts.Unacknowledged),
			alarmAt(mainBrake, analysis.GapAdjust, i+1, alerts.Normal)},
	}
	for j := range n {
		c := cycleAt([]string{mainBrake, creepBrake}[j%2], i+j)
		b.Cycles = append(b.Cycles, c)
		b.Verdicts[j%2].AtNS = c.AtNS // each verdict is on a cycle
	}
	return b
}

// eventually waits until ok reports true.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	if !waitFor(ok) {
		t.Fatalf("not within 30 s: %s", what)
	}
}

// patiently waits for two minutes.
func patiently(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 4 {
		if waitFor(ok) {
			return
		}
	}
	t.Fatalf("not within two minutes: %s", what)
}

// waitFor waits for half a minute at most, and is what ok reports then.
func waitFor(ok func() bool) bool {
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return true
		}
	}
	return ok()
}

func asError[E error](err error) (E, bool) { return errors.AsType[E](err) }

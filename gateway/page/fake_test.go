package page

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"sync"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
)

// fakeData is a store in memory.
type fakeData struct {
	mu        sync.Mutex
	verdicts  map[string]analysis.Verdict
	forecasts []store.ForecastRow
	active    []store.AlarmRow
	alarms    []store.AlarmRow // newest first
	cycles    map[string][]store.CycleRow
	waves     map[string]analysis.Waveform
	changed   chan struct{}
	broken    error
}

func newFakeData() *fakeData {
	return &fakeData{verdicts: map[string]analysis.Verdict{}, cycles: map[string][]store.CycleRow{},
		waves: map[string]analysis.Waveform{}, changed: make(chan struct{})}
}

// change makes a change and tells of it.
func (d *fakeData) change(fn func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	fn()
	close(d.changed)
	d.changed = make(chan struct{})
}

func (d *fakeData) Verdicts(context.Context) ([]store.VerdictRow, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var rows []store.VerdictRow
	for name, v := range d.verdicts {
		rows = append(rows, store.VerdictRow{Brake: name, Verdict: v})
	}
	return rows, d.broken
}

func (d *fakeData) LatestForecasts(context.Context) ([]store.ForecastRow, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.forecasts, d.broken
}

func (d *fakeData) ActiveAlarms(context.Context) ([]store.AlarmRow, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.active, d.broken
}

func (d *fakeData) Alarms(_ context.Context, brake string, limit int) ([]store.AlarmRow, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var rows []store.AlarmRow
	for _, a := range d.alarms {
		if (brake == "" || a.Brake == brake) && len(rows) < limit {
			rows = append(rows, a)
		}
	}
	return rows, d.broken
}

func (d *fakeData) Cycles(_ context.Context, brake string, fromNS, toNS int64, limit int) ([]store.CycleRow, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var rows []store.CycleRow
	for _, c := range d.cycles[brake] {
		if c.AtNS >= fromNS && c.AtNS < toNS {
			rows = append(rows, c)
		}
	}
	return rows[max(0, len(rows)-limit):], d.broken
}

func (d *fakeData) Thinned(_ context.Context, brake string, fromNS, toNS int64, n int) ([]store.GapPoint, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var in []store.CycleRow
	for _, c := range d.cycles[brake] {
		if c.AtNS >= fromNS && c.AtNS < toNS && analysis.Has(c.GapMM) {
			in = append(in, c)
		}
	}
	if len(in) == 0 {
		return nil, d.broken
	}
	width := (in[len(in)-1].AtNS-in[0].AtNS)/int64(n) + 1
	var points []store.GapPoint
	bucket := int64(-1)
	for _, c := range in {
		if b := (c.AtNS - in[0].AtNS) / width; b != bucket {
			bucket = b
			points = append(points, store.GapPoint{AtNS: c.AtNS, MinMM: c.GapMM, MaxMM: c.GapMM})
		}
		p := &points[len(points)-1]
		p.MeanMM = (p.MeanMM*float64(p.Count) + c.GapMM) / float64(p.Count+1)
		p.MinMM, p.MaxMM, p.Count = min(p.MinMM, c.GapMM), max(p.MaxMM, c.GapMM), p.Count+1
	}
	return points, d.broken
}

func (d *fakeData) Filtered(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]store.FilteredGap, error) {
	points, err := d.Thinned(ctx, brake, fromNS, toNS, n)
	var filtered []store.FilteredGap
	for _, p := range points {
		filtered = append(filtered, store.FilteredGap{AtNS: p.AtNS, MM: p.MeanMM, UMM: 0.01})
	}
	return filtered, err
}

func (d *fakeData) Waveform(_ context.Context, brake string) (store.WaveformRow, bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	w, ok := d.waves[brake]
	return store.WaveformRow{Brake: brake, Waveform: w}, ok, d.broken
}

func (d *fakeData) Changed() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.changed
}

// errBroken is what a broken store says.
var errBroken = errors.New("reading verdicts: the disk is gone")

// noon is the moment at which the tests look at the page.
func noon() time.Time { return time.Date(2026, 11, 18, 12, 0, 0, 0, time.UTC) }

func ago(d time.Duration) int64 { return noon().Add(-d).UnixNano() }

func ahead(days float64) float64 { return float64(noon().UnixNano()) + days*float64(day) }

func brakeOf(name, model string, min, target, adjust, max float64) Brake {
	return Brake{Name: name, Crane: "quay-2", Kind: "conical", Model: model,
		Limits:  analysis.Limits{MinMM: min, TargetMM: target, AdjustMM: adjust, MaxMM: max},
		Timing:  analysis.Timing{Release: 250 * time.Millisecond, Set: 300 * time.Millisecond}.WithDefaults(),
		Signals: []sensors.Signal{sensors.Travel, sensors.Drive, sensors.Released}}
}

// harbour is a site with a brake in every state.
func harbour() ([]Brake, *fakeData) {
	d := newFakeData()
	nan := math.NaN()
	brakes := []Brake{
		brakeOf("quay-1/main", "QK-90", 1.2, 1.6, 2.8, 3.4),
		brakeOf("quay-1/creep", "QK-20", 0.8, 1, 1.8, 2.2),
		brakeOf("quay-2/main", "QK-90", 1.2, 1.6, 2.8, 3.4),
		brakeOf("quay-2/creep", "QK-20", 0.8, 1, 1.8, 2.2),
		brakeOf("gantry-1/hoist", "GD-4", 0.3, 0.4, 0.8, 1),
		brakeOf("gantry-1/long-travel-north", "GD-2", 0.3, 0.4, 0.8, 1),
		brakeOf("pit/hoist", "", 1.2, 1.6, 2.8, 3.4),
	}
	brakes[2].Chain, brakes[3].Chain = "quay-2 hoist", "quay-2 hoist"
	brakes[6].Kind, brakes[6].Signals = "", nil
	verdict := func(name string, s analysis.State, gap, u, release, set float64) {
		d.verdicts[name] = analysis.Verdict{AtNS: ago(7 * time.Minute), State: s, GapMM: gap, GapUMM: u,
			ReleaseS: release, ReleaseUS: 0.004, SetS: set, SetUS: 0.005, Full: 48_213, Jogs: 9_107}
	}
	verdict("quay-1/main", analysis.InLimits, 2.31, 0.018, 0.212, 0.240)
	verdict("quay-1/creep", analysis.InLimits, 1.12, 0.012, 0.150, nan)
	verdict("quay-2/main", analysis.AdjustDue, 2.83, 0.02, 0.262, 0.281)
	verdict("quay-2/creep", analysis.StopUsing, 2.24, 0.02, 0.188, 0.240)
	verdict("gantry-1/hoist", analysis.TooNarrow, 0.28, 0.01, 0.120, 0.130)
	verdict("gantry-1/long-travel-north", analysis.InLimits, 0.55, 0.01, 0.120, 0.130)

	forecast := func(name, limit string, limitMM, gap, wear, p05, p50, p95 float64) {
		d.forecasts = append(d.forecasts, store.ForecastRow{ID: int64(len(d.forecasts) + 1), Brake: name, Forecast: analysis.Forecast{
			AtNS: ago(7 * time.Minute), Limit: limit, LimitMM: limitMM, GapMM: gap, GapUMM: 0.02, WearUMPerK: wear, WearUUMPerK: wear / 20,
			Cycles: analysis.Quantiles{P05: p05 * 410, P50: p50 * 410, P95: p95 * 410},
			DateNS: analysis.Quantiles{P05: ahead(p05), P50: ahead(p50), P95: ahead(p95)}}})
	}
	forecast("quay-1/main", "adjust", 2.8, 2.31, 24, 16, 21, 35)
	forecast("quay-1/main", "max", 3.4, 2.31, 24, 44, 55, 80)
	forecast("quay-1/creep", "adjust", 1.8, 1.12, nan, 46, nan, nan)
	forecast("quay-2/main", "adjust", 2.8, 2.83, 30, 0, 0, 0)
	forecast("quay-2/main", "max", 3.4, 2.83, 30, 30, 44, 60)
	forecast("gantry-1/long-travel-north", "adjust", 0.8, 0.55, 2.2, 390, 480, 640)

	alarm := func(name string, c analysis.Condition, s alerts.State, since time.Duration, value, u, limit float64, unit string) {
		d.active = append(d.active, store.AlarmRow{ID: int64(len(d.active) + 1), Event: alerts.Event{AtNS: ago(since), SinceNS: ago(since), Brake: name,
			Condition: c, Change: alerts.Raised, State: s, Value: value, U: u, Limit: limit, Unit: unit}})
	}
	alarm("quay-2/main", analysis.GapAdjust, alerts.Acknowledged, 26*time.Hour, 2.83, 0.02, 2.8, "mm")
	d.active[0].By = "R. Holm"
	alarm("quay-2/main", analysis.SlowRelease, alerts.Unacknowledged, 3*time.Hour, 0.262, 0.004, 0.25, "s")
	alarm("quay-2/creep", analysis.GapMax, alerts.Unacknowledged, 42*time.Minute, 2.24, 0.02, 2.2, "mm")
	alarm("gantry-1/hoist", analysis.GapLow, alerts.Unacknowledged, 42*time.Minute, 0.28, 0.01, 0.3, "mm")
	alarm("gantry-1/long-travel-north", analysis.SignalStale, alerts.Unacknowledged, 12*time.Minute, 65, nan, nan, "s")
	for i := len(d.active) - 1; i >= 0; i-- {
		d.alarms = append(d.alarms, d.active[i])
	}

	id := int64(0)
	for name, slope := range map[string]float64{"quay-1/main": 0.4, "quay-2/main": 0.8, "quay-1/creep": 0} {
		end := d.verdicts[name].GapMM
		const n = 1500
		for i := range n {
			id++
			left := float64(n-1-i) / n
			at := noon().Add(-7*time.Minute - time.Duration(left*60*float64(day)))
			c := analysis.Cycle{AtNS: at.UnixNano(), OnNS: 2_400e6, GapMM: end - slope*left + 0.03*math.Sin(float64(i)*1.7), GapUMM: 0.021, GapUCalMM: 0.01,
				ReleaseS: 0.2, ReleaseUS: 0.006, SetS: 0.24, SetUS: 0.007, SetLevelMM: 2.1, ReleasedLevelMM: 2.1 + end, TemperatureC: 31}
			if i%9 == 4 {
				c.Kind, c.GapMM, c.GapUMM, c.SetS, c.SetUS = analysis.Jog, nan, nan, nan, nan
			}
			if i%100 == 95 {
				c.Flags = analysis.FlagSpikes | analysis.FlagNoAfter
			}
			d.cycles[name] = append(d.cycles[name], store.CycleRow{ID: id, Brake: name, Cycle: c})
		}
		last := d.cycles[name][n-1]
		d.waves[name] = stroke(last.Cycle)
	}
	return brakes, d
}

// stroke is the travel of a cycle as a probe would see it at 50 Hz.
func stroke(c analysis.Cycle) analysis.Waveform {
	w := analysis.Waveform{CycleAtNS: c.AtNS, OffNS: c.OnNS}
	for at := int64(-500e6); at < c.OnNS+1500e6; at += 20e6 {
		open := 1 / (1 + math.Exp(-((float64(at)*1e-9)-0.15)/0.02))
		open *= 1 - 1/(1+math.Exp(-((float64(at-c.OnNS)*1e-9)-0.2)/0.02))
		ripple := 0.012 * math.Sin(float64(at)*1e-9*31)
		w.TimesNS = append(w.TimesNS, at)
		w.TravelMM = append(w.TravelMM, float32(c.SetLevelMM+open*(c.ReleasedLevelMM-c.SetLevelMM+ripple)))
	}
	return w
}

// harbourSite is what a server of the harbour is made of.
func harbourSite(t testing.TB) (Deps, *fakeData) {
	brakes, data := harbour()
	return Deps{Site: "Kestrel Quay", Brakes: brakes, Data: data, Now: noon, Version: "0.1.0", Log: slog.New(slog.NewTextHandler(t.Output(), nil)),
		Health: func() []SourceHealth {
			return []SourceHealth{{Device: "quay-io", OK: true, Since: noon().Add(-50 * time.Hour)},
				{Device: "gantry-io", OK: false, Since: noon().Add(-13 * time.Minute), Error: "reading input register 3 of gantry-io: no answer within 100 ms"}}
		}}, data
}

package gateway

import (
	"bytes"
	"encoding/json"
	"errors"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/page"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

const recordedSite = `site: Kestrel Quay
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    adjuster: {ring: {holes: 6, pitch_mm: 3.0, uses: 3}}
    lining: {thickness_mm: 6.0, minimum_mm: 4.0, cone_half_angle_deg: 15, parts: [{name: brake lining, number: KQ-1190, lead_days: 42}]}
    stop: {inertia_kgm2: 0.12, speed_rpm: 1380, brake_nm: 60, load_nm: 25}
    model: QK-90
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], u_mm: 0.01}
      drive: {device: io, discrete: 0}
  - name: quay-2/creep
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    adjuster: {shims: {packs: 2, thickness_mm: 0.1, fitted: 10}}
    signals:
      drive: {device: io, discrete: 1}
holding_chains:
  - {name: quay-2 hoist, order: [quay-2/creep, quay-2/main]}
`

func recordedNow() time.Time { return time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) }

// recorded is a store with a little of everything, all of it invented.
func recorded(t *testing.T) (*configs.Site, *store.DB) {
	t.Helper()
	site, problems := configs.Parse("site.yaml", []byte(recordedSite), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	db, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	const name = "quay-2/main"
	now := recordedNow().UnixNano()
	at := func(daysAgo float64) int64 { return now - int64(daysAgo*86400e9) }
	nan := math.NaN()
	var b store.Batch
	for i := range 40 { // two an hour, on five days
		c := analysis.Cycle{AtNS: at(10) + int64(i/8)*86400e9 + int64(i%8)*1800e9, OnNS: 45e9, Kind: analysis.Full, GapMM: 2.6 + 0.004*float64(i), GapUMM: 0.008, GapUCalMM: 0.01,
			ReleaseS: 0.180 + 0.0005*float64(i), ReleaseUS: 0.004, SetS: 0.140, SetUS: 0.003, SetLevelMM: 3, ReleasedLevelMM: 5.6 + 0.004*float64(i), TemperatureC: nan}
		if i%8 == 7 {
			c.Kind, c.OnNS, c.GapMM, c.GapUMM, c.ReleaseS, c.ReleaseUS = analysis.Jog, 80e6, nan, nan, nan, nan
		}
		if i == 20 {
			c.Flags = analysis.FlagSpikes
		}
		b.Cycles = append(b.Cycles, store.CycleRow{Brake: name, Cycle: c})
	}
	last := b.Cycles[38].AtNS
	b.Verdicts = []store.VerdictRow{{Brake: name, Verdict: analysis.Verdict{AtNS: last, State: analysis.AdjustDue, GapMM: 2.79, GapUMM: 0.012, ReleaseS: 0.198, ReleaseUS: 0.002, SetS: 0.14, SetUS: 0.001, Full: 35, Jogs: 5}},
		{Brake: "quay-2/creep", Verdict: analysis.Verdict{AtNS: at(1), State: analysis.InLimits, GapMM: 1.2, GapUMM: 0.05, ReleaseS: nan, ReleaseUS: nan, SetS: nan, SetUS: nan, Full: 10, Jogs: 30}}}
	q := func(a, b, c float64) analysis.Quantiles { return analysis.Quantiles{P05: a, P50: b, P95: c} }
	ns := func(daysAhead float64) float64 { return float64(now) + daysAhead*86400e9 }
	b.Forecasts = []store.ForecastRow{
		{Brake: name, Forecast: analysis.Forecast{AtNS: last, Limit: "adjust", LimitMM: 2.8, GapMM: 2.79, GapUMM: 0.012, WearUMPerK: 4000, WearUUMPerK: 200, Cycles: q(1, 3, 6), DateNS: q(ns(0.1), ns(0.3), ns(0.7))}},
		{Brake: name, Forecast: analysis.Forecast{AtNS: last, Limit: analysis.LiningForecast, LimitMM: 3.8, GapMM: 2.79, GapUMM: 0.012, WearUMPerK: 4000, WearUUMPerK: 200, Cycles: q(200, 252, 310), DateNS: q(ns(30), ns(50), ns(80))}}}
	event := func(daysAgo float64, brake string, c analysis.Condition, ch alerts.Change, st alerts.State, since, v, u, limit float64, unit, signal string) store.AlarmRow {
		return store.AlarmRow{Event: alerts.Event{AtNS: at(daysAgo), Brake: brake, Condition: c, Change: ch, State: st, SinceNS: at(since), Value: v, U: u, Limit: limit, Unit: unit, Signal: signal}}
	}
	b.Alarms = []store.AlarmRow{
		event(9, name, analysis.SignalStale, alerts.Raised, alerts.Unacknowledged, 9, 6, nan, 5, "s", "travel"),
		event(8.5, name, analysis.SignalStale, alerts.Cleared, alerts.Normal, 9, nan, nan, 5, "s", "travel"),
		event(6, name, analysis.GapAdjust, alerts.Raised, alerts.Unacknowledged, 6, 2.79, 0.012, 2.8, "mm", ""),
		event(3, "", analysis.GatewayFault, alerts.Raised, alerts.Unacknowledged, 3, nan, nan, nan, "", ""),
		event(2, "", analysis.GatewayFault, alerts.Cleared, alerts.Normal, 3, nan, nan, nan, "", ""),
	}
	entry := func(brake string, kind analysis.EntryKind, daysAgo float64, note string, with func(*analysis.Entry)) {
		e := analysis.NewEntry(kind, at(daysAgo), "K. Berg")
		e.EnteredNS, e.Note = at(daysAgo)+600e9, note
		if with != nil {
			with(&e)
		}
		b.Ledger = append(b.Ledger, store.LedgerRow{Brake: brake, Entry: e})
	}
	entry(name, analysis.LiningFitted, 60, "", func(e *analysis.Entry) { e.ThicknessMM, e.GapMM = 6, 1.6 })
	entry(name, analysis.Adjustment, 30, "yearly inspection", func(e *analysis.Entry) { e.Steps = 1 })
	entry(name, analysis.Reading, 6.9, "", func(e *analysis.Entry) {
		r, err := e.WithReading(analysis.HandReading{StillMM: []float64{41.2, 41.25, 41.2}, RunningMM: []float64{43.95, 43.9, 43.9}, InstrumentUMM: 0.02})
		if err != nil {
			t.Fatal(err)
		}
		*e = r
	})
	entry(name, analysis.Retest, 29.9, "=wet", func(e *analysis.Entry) { e.NoLoad = analysis.Passed })
	entry("quay-2/creep", analysis.Reading, 1, "by feeler", func(e *analysis.Entry) { e.GapMM, e.GapUMM, e.Repeats = 1.2, 0.05, 1 })
	b.Checks = []store.WorkCheckRow{{Brake: name, WorkCheck: analysis.WorkCheck{Entry: 2, AtNS: at(29), AfterCheck: analysis.AfterCheck{Outcome: analysis.OffSteps, Cycles: 5, GapMM: 2.1, GapUMM: 0.01, OffMM: 0.5, UMM: 0.015, Short: 1, State: analysis.InLimits, Words: "one hole short: travel 0.50 mm over the plan"}}}}
	if err := db.Commit(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	return site, db
}

// The record's tables and JSON as a whole; a mismatch leaves the result beside
// them.
func TestRecordIsWhatItWas(t *testing.T) {
	site, db := recorded(t)
	now := recordedNow()
	r, err := Recorder(site, db, "invented data", "0.0.0", func() []report.SourceRecord { return []report.SourceRecord{{Device: "io", OK: true}} })(t.Context(),
		report.Query{From: now.AddDate(0, 0, -45), To: now, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []struct {
		name  string
		write func(*bytes.Buffer) error
	}{
		{"record.csv", func(b *bytes.Buffer) error { return r.WriteCSV(b) }},
		{"record.json", func(b *bytes.Buffer) error { return r.WriteJSON(b) }},
	} {
		var got bytes.Buffer
		if err := f.write(&got); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join("testdata", f.name)
		want, err := os.ReadFile(path)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Bytes(), want) {
			if err := os.WriteFile(path+".got", got.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			t.Errorf("%s is another; it is in %s.got now: read it, and move it over if it is right", path, path)
		}
	}
	var html bytes.Buffer
	if err := r.WriteHTML(&html); err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(html.String(), "\u00a0", " ")
	for _, want := range []string{"Land the load and secure the hook", "2.79 ± 0.03 mm", "Adjust</span>", "one hole short", "Turn the brake ring on by 2 index holes (1/3 turn).", "Order brake lining (KQ-1190) now: it takes 42 days.", ";base64,",
		"Inspected by, date", "Braking work", "Passed without load, by K. Berg", "hand less probe", "Signal is silent", "12.0", "gapward itself has a fault", "24.0", "2 Mar 2026"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	if strings.Count(text, "Land the load and secure the hook") != 1 {
		t.Error("the cautions stand there more than once")
	}
	if strings.Contains(text, "NaN") || strings.Contains(text, "<nil>") || strings.Contains(text, "ZgotmplZ") {
		t.Error("the page shows a figure that is none")
	}
}

// The record's numbers are those of the page, to the last digit, and its plan is
// the page's.
func TestRecordHasThePagesNumbers(t *testing.T) {
	site, db := recorded(t)
	now := recordedNow()
	server, err := page.New(page.Deps{Site: site.Name, Brakes: pageBrakes(site), Data: told{db, newWatch(nil, now)}, Ledger: &desk{DB: db}, Plan: planner(site, db),
		Record: Recorder(site, db, "", "", nil), Now: func() time.Time { return now }, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	if err != nil {
		t.Fatal(err)
	}
	get := func(path string) (body map[string]any) {
		t.Helper()
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1:8480"
		w := httptest.NewRecorder()
		server.Handler().ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		if err := json.Unmarshal(w.Body.Bytes(), &body); err != nil {
			t.Fatal(err)
		}
		return body
	}
	for _, name := range []string{"quay-2/main", "quay-2/creep"} {
		onPage := get("/api/brake/" + name)
		rec := get("/api/report?from=2025-12-01&brake=" + name)["brakes"].([]any)[0].(map[string]any)
		for _, key := range []string{"state", "time", "gap_mm", "gap_u_mm", "release_ms", "release_u_ms", "set_ms", "set_u_ms", "cycles", "limits_mm", "outlook", "model", "holding_chain"} {
			if !reflect.DeepEqual(onPage[key], rec[key]) {
				t.Errorf("%s: %s is %v on the page and %v in the record", name, key, onPage[key], rec[key])
			}
		}
		forecasts := map[string]any{}
		for _, f := range rec["forecasts"].([]any) {
			forecasts[f.(map[string]any)["limit"].(string)] = f
		}
		for _, f := range onPage["forecasts"].([]any) {
			if limit := f.(map[string]any)["limit"].(string); !reflect.DeepEqual(f, forecasts[limit]) {
				t.Errorf("%s: the forecast to %s is %v on the page and %v in the record", name, limit, f, forecasts[limit])
			}
		}
		plan := rec["plan"].(map[string]any)
		for _, p := range get("/api/plan/" + name)["plans"].([]any) {
			if p := p.(map[string]any); p["brake"] == name {
				for _, key := range []string{"action", "due", "steps", "do", "reason", "note", "expected_gap_mm", "expected_gap_u_mm"} {
					if !reflect.DeepEqual(p[key], plan[key]) {
						t.Errorf("%s: %s of the plan is %v on the page and %v in the record", name, key, p[key], plan[key])
					}
				}
			}
		}
		entries := get("/api/ledger?brake=" + name)["entries"].([]any)
		if !reflect.DeepEqual(entries, rec["ledger"]) {
			t.Errorf("%s: the ledger is %v on the page and %v in the record", name, entries, rec["ledger"])
		}
	}
}

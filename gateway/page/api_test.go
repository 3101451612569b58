package page

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"gapward/analysis"
	"gapward/sensors"
)

func TestAPIBrakes(t *testing.T) {
	deps, data := harbourSite(t)
	deps.Demo = "Demonstration"
	s := serverOf(t, deps)
	var got struct {
		Site, Demo, Time string
		Brakes           []map[string]any
	}
	decode(t, get(s, "/api/brakes"), &got)
	if got.Site != "Kestrel Quay" || got.Demo != "Demonstration" || got.Time != "2026-11-18T12:00:00Z" || len(got.Brakes) != 7 {
		t.Fatalf("got %+v", got)
	}
	worst, none := got.Brakes[0], got.Brakes[4]
	for key, want := range map[string]any{"name": "quay-2/creep", "state": "stop-using", "headline": "Stop using", "level": "danger", "gap_mm": 2.24, "gap_u_mm": 0.02,
		"release_ms": 188.0, "set_ms": 240.0, "holding_chain": "quay-2 hoist", "outlook": "stop using it now", "time": "2026-11-18T11:53:00Z"} {
		if worst[key] != want {
			t.Errorf("the worst brake's %s is %v, want %v", key, worst[key], want)
		}
	}
	if limits := fmt.Sprint(worst["limits_mm"]); limits != "map[adjust:1.8 max:2.2 min:0.8 target:1]" {
		t.Errorf("its limits are %s", limits)
	}
	if timing := fmt.Sprint(worst["timing_ms"]); timing != "map[not_released_after:1000 not_set_after:1000 release:250 set:300]" {
		t.Errorf("its times are %s", timing)
	}
	for _, key := range []string{"gap_mm", "gap_u_mm", "release_ms", "time", "cycles", "outlook"} {
		if v, has := none[key]; has {
			t.Errorf("a brake never measured has %s: %v", key, v)
		}
	}

	var one struct {
		Forecasts []struct {
			Type, Brake, Limit string
			Cycles, Date       map[string]any
		}
		Alarms []struct {
			Event struct {
				Type, Brake, Condition, State, Unit string
				Value, Limit                        float64
			}
			LifeCycle string `json:"life_cycle"`
			Title, By string
			FirstStep string `json:"first_step"`
		}
	}
	decode(t, get(s, "/api/brake/quay-2/main"), &one)
	if len(one.Forecasts) != 2 || one.Forecasts[1].Limit != "max" || one.Forecasts[1].Type != "forecast" || one.Forecasts[1].Cycles["p50"] != 18040.0 || one.Forecasts[1].Date["p05"] != "2026-12-18T12:00:00Z" {
		t.Errorf("its forecasts are %+v", one.Forecasts)
	}
	if a := one.Alarms; len(a) != 2 || a[0].Event.Type != "alarm" || a[0].Event.Condition != "gap-adjust" || a[0].Event.Value != 2.83 || a[0].LifeCycle != "acknowledged" ||
		a[0].By != "R. Holm" || a[1].Title != "Brake releases slowly" || a[1].FirstStep == "" {
		t.Errorf("its alarms are %+v", a)
	}

	data.change(func() { data.verdicts["quay-2/main"] = analysis.Verdict{GapMM: math.Inf(1), GapUMM: math.NaN()} })
	if w := get(s, "/api/brake/quay-2/main"); w.Code != 200 || !json.Valid(w.Body.Bytes()) {
		t.Errorf("an infinite gap: status %d, %.100q", w.Code, w.Body)
	}
}

func TestAPICycles(t *testing.T) {
	deps, data := harbourSite(t)
	s := serverOf(t, deps)
	type cycles struct {
		Brake  string
		Cycles []struct {
			Type, Brake, Time, Kind string
			GapMM                   *float64 `json:"gap_mm"`
			Flags                   []string
		}
	}
	var got cycles
	decode(t, get(s, "/api/cycles/quay-1/main"), &got)
	if len(got.Cycles) != defaultRows || got.Brake != "quay-1/main" {
		t.Fatalf("%d cycles of %q", len(got.Cycles), got.Brake)
	}
	last := got.Cycles[len(got.Cycles)-1]
	if last.Type != "cycle" || last.Time != "2026-11-18T11:53:00Z" || last.Kind != "full" || last.GapMM == nil {
		t.Errorf("the last of them is %+v", last)
	}
	if jog := got.Cycles[len(got.Cycles)-2]; jog.Kind != "jog" || jog.GapMM != nil {
		t.Errorf("the jog before it is %+v", jog)
	}
	all := data.cycles["quay-1/main"]
	from, to := rfc(all[10].AtNS), rfc(all[14].AtNS+1e9)
	got = cycles{}
	decode(t, get(s, "/api/cycles/quay-1/main?limit=3&from="+from+"&to="+to), &got)
	if len(got.Cycles) != 3 || got.Cycles[2].Time[:19] != to[:17]+got.Cycles[2].Time[17:19] {
		t.Errorf("the newest three before %s are %+v", to, got.Cycles)
	}
	got = cycles{}
	decode(t, get(s, "/api/cycles/pit/hoist"), &got)
	if got.Cycles == nil || len(got.Cycles) != 0 {
		t.Errorf("no cycles are %v, want an empty list", got.Cycles)
	}
	var refused struct{ Error string }
	decode(t, get(s, "/api/cycles/quay-1/main?from=x&limit=y"), &refused)
	if !strings.Contains(refused.Error, `from is "x"`) || !strings.Contains(refused.Error, `limit is "y"`) {
		t.Errorf("two mistakes are told as %q", refused.Error)
	}
}

func TestAPIAlarms(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	for query, want := range map[string][2]int{"": {5, 5}, "?limit=2": {5, 2}, "?brake=quay-2/main": {2, 2}, "?brake=quay-1/main": {0, 0}} {
		var got struct{ Active, History []map[string]any }
		decode(t, get(s, "/api/alarms"+query), &got)
		if got.Active == nil || got.History == nil || len(got.Active) != want[0] || len(got.History) != want[1] {
			t.Errorf("%q: %d active and %d in the history, want %v", query, len(got.Active), len(got.History), want)
		}
	}
}

func TestAPISignals(t *testing.T) {
	deps, _ := harbourSite(t)
	deps.Brakes[0].Signals = []sensors.Signal{sensors.Travel, sensors.Temperature}
	var got struct{ Signals []string }
	decode(t, get(serverOf(t, deps), "/api/brake/quay-1/main"), &got)
	if fmt.Sprint(got.Signals) != "[travel temperature]" {
		t.Errorf("the signals are %v", got.Signals)
	}
}

func TestAPICurves(t *testing.T) {
	deps, data := harbourSite(t)
	s := serverOf(t, deps)
	var gaps struct {
		Brake, Span string
		Points      []struct {
			Time   string
			Mean   float64 `json:"gap_mm_mean"`
			Least  float64 `json:"gap_mm_min"`
			Most   float64 `json:"gap_mm_max"`
			Cycles int
		}
	}
	decode(t, get(s, "/api/gaps/quay-1/main?span=all"), &gaps)
	cycles := 0
	for _, p := range gaps.Points {
		cycles += p.Cycles
		if p.Least > p.Mean || p.Mean > p.Most || p.Time == "" {
			t.Fatalf("a point is %+v", p)
		}
	}
	if gaps.Brake != "quay-1/main" || gaps.Span != "all" || len(gaps.Points) < 100 || cycles != 1500-167 {
		t.Errorf("%d points of %d cycles over %q of %q", len(gaps.Points), cycles, gaps.Span, gaps.Brake)
	}
	var wave struct {
		Time   string
		Off    float64      `json:"drive_off_ms"`
		Points [][2]float64 `json:"points_ms_mm"`
	}
	decode(t, get(s, "/api/waveform/quay-1/main"), &wave)
	if len(wave.Points) != len(data.waves["quay-1/main"].TimesNS) || wave.Points[0][0] != -500 || wave.Off != 2400 || wave.Time != "2026-11-18T11:53:00Z" {
		t.Errorf("the waveform is of %s with %d points, off at %v ms", wave.Time, len(wave.Points), wave.Off)
	}
	for path, status := range map[string]int{"/api/gaps/x": 404, "/api/gaps/quay-1/main?span=x": 400, "/api/waveform/x": 404, "/api/waveform/pit/hoist": 404} {
		if w := get(s, path); w.Code != status || !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s: status %d, want %d", path, w.Code, status)
		}
	}
}

package analysis

import (
	"encoding/json"
	"math"
	"testing"
)

func TestCycleAsJSON(t *testing.T) {
	c := Cycle{AtNS: 1790000000123456789, Kind: Full, GapMM: 2.0123456, GapUMM: 0.0011, GapUCalMM: 0.01, ReleaseS: 0.1507, ReleaseUS: 0.0058,
		SetS: NoValue(), SetUS: NoValue(), Flags: FlagSpikes | FlagNoAfter}
	want := `{"type":"cycle","brake":"quay-2/main","time":"2026-09-21T14:13:20.123456789Z","kind":"full","gap_mm":2.012346,"gap_u_mm":0.0011,"gap_u_cal_mm":0.01,"release_ms":150.7,"release_u_ms":5.8,"flags":["spikes","no-set-after"]}`
	if got := string(c.AppendJSON(nil, "quay-2/main")); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	jog := Cycle{AtNS: 1790000000e9, Kind: Jog, GapMM: NoValue(), GapUMM: NoValue(), ReleaseS: NoValue(), ReleaseUS: NoValue(), SetS: NoValue(), SetUS: NoValue()}
	want = `{"type":"cycle","brake":"x","time":"2026-09-21T14:13:20Z","kind":"jog","flags":[]}`
	if got := string(jog.AppendJSON(nil, "x")); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestForecastAsJSON(t *testing.T) {
	f := Forecast{AtNS: 1790000000e9, Limit: "adjust", GapMM: 2.5, GapUMM: 0.012, WearUMPerK: 51.23456, Cycles: Quantiles{5000.4, 6000, 7000},
		DateNS: Quantiles{1795000000e9, 1796000000e9, NoValue()}}
	want := `{"type":"forecast","brake":"x","time":"2026-09-21T14:13:20Z","limit":"adjust","gap_mm":2.5,"gap_u_mm":0.012,"wear_um_per_1000_cycles":51.2346,"cycles":{"p05":5000,"p50":6000,"p95":7000},"date":{"p05":"2026-11-18T11:06:40Z","p50":"2026-11-30T00:53:20Z"}}`
	if got := string(f.AppendJSON(nil, "x")); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	f.WearUMPerK, f.Cycles, f.DateNS = NoValue(), Quantiles{800, NoValue(), math.Inf(1)}, Quantiles{NoValue(), NoValue(), NoValue()}
	want = `{"type":"forecast","brake":"x","time":"2026-09-21T14:13:20Z","limit":"adjust","gap_mm":2.5,"gap_u_mm":0.012,"cycles":{"p05":800},"date":{}}`
	if got := string(f.AppendJSON(nil, "x")); got != want || !json.Valid([]byte(got)) {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

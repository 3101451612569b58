package figures

import (
	"math"
	"testing"
	"time"

	"gapward/analysis"
)

func TestForecastInWords(t *testing.T) {
	nan := math.NaN()
	now := noon()
	date := func(y int, m time.Month, d int) float64 {
		return float64(time.Date(y, m, d, 12, 0, 0, 0, time.UTC).UnixNano())
	}
	for _, c := range []struct {
		name          string
		p05, p50, p95 float64
		want          string
	}{
		{"within a month", date(2026, 12, 12), date(2026, 12, 19), date(2026, 12, 31), "adjust in about 4 weeks (between 12 and 31 Dec, 9 in 10)"},
		{"over the year's end", date(2026, 12, 12), date(2026, 12, 30), date(2027, 1, 20), "adjust in about 6 weeks (between 12 Dec and 20 Jan, 9 in 10)"},
		{"far off", date(2027, 12, 13), date(2028, 3, 12), date(2028, 8, 19), "adjust in about 16 months (between 13 Dec 2027 and 19 Aug 2028, 9 in 10)"},
		{"in years", date(2028, 12, 13), date(2029, 12, 12), date(2031, 8, 19), "adjust in about 3 years (between 13 Dec 2028 and 19 Aug 2031, 9 in 10)"},
		{"tomorrow", date(2026, 11, 19), date(2026, 11, 19), date(2026, 11, 19), "adjust in about one day (on 19 Nov, 9 in 10)"},
		{"within hours", ahead(0.1), ahead(0.2), ahead(0.3), "adjust in less than a day (on 18 Nov, 9 in 10)"},
		{"already likely", ahead(-3), ahead(4), ahead(9), "adjust in about 4 days (between 18 and 27 Nov, 9 in 10)"},
		{"come", ahead(-3), ahead(-1), ahead(9), "adjust now"},
		{"no wear", date(2027, 1, 3), nan, nan, "no wear seen yet, not before 3 Jan"},
		{"no wear, far", date(2190, 1, 3), nan, nan, "no wear seen yet, not within 20 years"},
		{"no wear at all", nan, nan, nan, "no wear seen yet"},
		{"beyond all dates", math.Inf(1), math.Inf(1), math.Inf(1), "no wear seen yet"},
		{"late end unknown", date(2027, 1, 3), date(2027, 3, 3), nan, "adjust in about 3 months (not before 3 Jan, 19 in 20)"},
		{"late end beyond int64", date(2027, 1, 3), date(2027, 3, 3), 1e30, "adjust in about 3 months (not before 3 Jan, 19 in 20)"},
		{"likely only in decades", date(2030, 1, 3), date(2090, 1, 1), nan, "not before 3 Jan 2030 (19 in 20)"},
		{"nothing in decades", date(2080, 1, 3), date(2090, 1, 1), date(2099, 1, 1), "not within 20 years"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := analysis.Forecast{DateNS: analysis.Quantiles{P05: c.p05, P50: c.p50, P95: c.p95}}
			if got := SayForecast(f, "adjust", now); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestUncertaintyIsNeverRoundedDown(t *testing.T) {
	for _, c := range []struct {
		v, u float64
		want string
	}{
		{2.31, 0.018, "2.31\u00a0±\u00a00.04\u00a0mm"}, // 0.036
		{2.3149, 0.0001, "2.31\u00a0±\u00a00.01\u00a0mm"},
		{2.31, 0.02, "2.31\u00a0±\u00a00.04\u00a0mm"}, // not 0.05 for the sake of a last bit
		{-0.001, math.NaN(), "0.00\u00a0mm"},
		{math.NaN(), 0.02, "–"},
		{math.Inf(1), 0.02, "–"},
	} {
		if got := Gap(c.v, c.u).String(); got != c.want {
			t.Errorf("gap %v with u %v reads %q, want %q", c.v, c.u, got, c.want)
		}
	}
}

func TestMarginTellsTheLimitThatMatters(t *testing.T) {
	l := analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}
	for _, c := range []struct {
		state analysis.State
		gap   float64
		want  string
	}{
		{analysis.InLimits, 2.31, "0.49 mm before adjust 2.8"},
		{analysis.AdjustDue, 2.79, "adjust 2.8 reached, or not ruled out"},
		{analysis.AdjustDue, 2.93, "0.13 mm beyond adjust 2.8"},
		{analysis.StopUsing, 3.39, "max 3.4 reached, or not ruled out"},
		{analysis.StopUsing, 3.6, "0.20 mm beyond max 3.4"},
		{analysis.TooNarrow, 1.21, "below min 1.2, or not ruled out"},
		{analysis.TooNarrow, 1.1, "0.10 mm below min 1.2"},
		{analysis.Unknown, math.NaN(), ""},
	} {
		if got := Margin(analysis.Verdict{State: c.state, GapMM: c.gap}, l); got != c.want {
			t.Errorf("%v at %v mm reads %q, want %q", c.state, c.gap, got, c.want)
		}
	}
}

func TestTiedKeepsNumbersWithTheirWords(t *testing.T) {
	if got, want := Tied("adjust in about 3 weeks (between 4 and 23 Dec, 9 in 10)"), "adjust in about 3\u00a0weeks (between 4\u00a0and 23\u00a0Dec, 9\u00a0in\u00a010)"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestWholeNumbersInGroups(t *testing.T) {
	for n, want := range map[int64]string{0: "0", 999: "999", 1000: "1\u202f000", 48213: "48\u202f213", 1234567: "1\u202f234\u202f567", -1000: "-1\u202f000", -100: "-100"} {
		if got := Grouped(n); got != want {
			t.Errorf("%d reads %q, want %q", n, got, want)
		}
	}
}

func TestAlarmsSayNoTimeThatWasNone(t *testing.T) {
	for _, c := range []struct {
		v, u float64
		unit string
		want string
	}{{0, math.NaN(), "s", "–"}, {0.262, 0.004, "s", "262\u00a0±\u00a08\u00a0ms"}, {65, math.NaN(), "s", "65\u00a0s"}, {0, 0.01, "mm", "0.00\u00a0±\u00a00.02\u00a0mm"}, {0, math.NaN(), "d", "0\u00a0days"}} {
		f := OfAlarm(c.v, c.u, c.unit)
		if got := f.String(); f.Known() != (c.want != "–") || f.Known() && got != c.want {
			t.Errorf("%v %s reads %q, want %q", c.v, c.unit, got, c.want)
		}
	}
}

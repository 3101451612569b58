package analysis

import (
	"math"
	"testing"
	"time"
)

// Worked by hand, on a cone of 15°: 1.5 mm of lining above the minimum are
// 1.5/sin 15° = 5.7956 mm of travel, so it ends at a gap of 2.0 + 5.7956 mm if
// nobody adjusts. Two holes of half a millimetre are used up at
// 2.8 + 2·0.5 = 3.8 mm: that comes first.
func TestLiningEndsWhereStepsOrThicknessDo(t *testing.T) {
	s := ringBrake()
	b := Budget{StepsTotal: 3, StepsUsed: 1, StepsLeft: 2, ThicknessMM: 5.5, ToMinimumMM: 1.5}
	near(t, "steps first", b.endsAtGap(s, 2.0), 3.8, 1e-12)
	b.ToMinimumMM = 0.2
	near(t, "thickness first", b.endsAtGap(s, 2.0), 2.0+0.2/math.Sin(15*math.Pi/180), 1e-12)
	near(t, "0.2 mm on this cone", b.endsAtGap(s, 2.0), 2.7727, 1e-4)
	b.ToMinimumMM = NoValue()
	near(t, "thickness unknown", b.endsAtGap(s, 2.0), 3.8, 1e-12)
	b.StepsTotal = 0
	if Has(b.endsAtGap(s, 2.0)) {
		t.Error("an end was found where neither steps nor thickness are known")
	}
}

// A brake that wears 0.1 mm in a thousand cycles, with 0.8 mm to go to its limit
// and one hole left after that: the lining lasts about 0.8 + 0.5 mm, 13,000
// cycles, and adjusting on the way doesn't change when it ends.
func TestLiningIsForecastOverItsAdjustments(t *testing.T) {
	s := ringBrake()
	s.Travel.Present = true
	s.Lining = Lining{}
	b := New(s)
	var out Out
	start := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC).UnixNano()
	cycle := func(i int, mm float64) {
		b.Recall(Cycle{AtNS: start + int64(i)*int64(3*time.Minute), Kind: Full, GapMM: mm + 0.004*math.Sin(float64(i)*1.7), GapUMM: 0.005, ReleaseS: NoValue(), ReleaseUS: NoValue(),
			SetS: NoValue(), SetUS: NoValue(), SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}, &out)
	}
	fitted := NewEntry(LiningFitted, start-1, "K. Berg")
	fitted.ID, fitted.EnteredNS = 1, start-1
	adjusted := NewEntry(Adjustment, start-1, "K. Berg")
	adjusted.ID, adjusted.Steps, adjusted.EnteredNS = 2, 2, start-1
	b.TakeLedger([]Entry{fitted, adjusted}, start, &out)
	at := func(i int) float64 { return 1.6 + 0.0001*float64(i) }
	for i := range 4000 {
		cycle(i, at(i))
	}
	latest := func() (f Forecast) {
		for _, one := range out.Forecasts {
			if one.Limit == LiningForecast {
				f = one
			}
		}
		return f
	}
	f := latest()
	// From 2.0 mm: 0.8 to the limit, and half a millimetre for the last hole.
	if left := 13000.0; !(f.Cycles.P05 < left && left < f.Cycles.P95) || math.Abs(f.Cycles.P50-left) > 2000 || !Has(f.DateNS.P50) {
		t.Errorf("the lining lasts %.0f, %.0f, %.0f more cycles", f.Cycles.P05, f.Cycles.P50, f.Cycles.P95)
	}
	was := f.Cycles.P50 + 4000
	// Now the last hole is turned: the gap falls by half, the end stays.
	adjusted.ID, adjusted.Steps, adjusted.AtNS, adjusted.EnteredNS = 3, 1, start+4000*int64(3*time.Minute)-1, start+4000*int64(3*time.Minute)-1
	earlier := adjusted
	earlier.ID, earlier.Steps, earlier.AtNS = 2, 2, start-1
	out.Reset()
	b.Entered(adjusted, []Entry{fitted, earlier, adjusted}, &out)
	for i := 4000; i < 8000; i++ {
		cycle(i, at(i)-0.5)
	}
	f = latest()
	if total := f.Cycles.P50 + 8000; math.Abs(total-was) > 2500 {
		t.Errorf("its end was foretold for cycle %.0f, and after the adjustment for %.0f", was, total)
	}
}

// Without a step left, a brake that is due has a spent lining; before, it has
// not, and the finding says so too.
func TestLiningSpentIsFound(t *testing.T) {
	for _, c := range []struct {
		name  string
		mm    float64
		used  int
		spent bool
		limit float64
	}{{"steps left", 2.85, 1, false, 4}, {"none left, not due", 2.2, 3, false, 2.8}, {"none left and due", 2.85, 3, true, 2.8}, {"too thin", 2.5, 15, true, 4}} {
		t.Run(c.name, func(t *testing.T) {
			s := ringBrake()
			s.Travel.Present = true
			if c.name == "too thin" {
				s.Adjuster.Ring.Uses = 0
			}
			b := New(s)
			var out Out
			e := NewEntry(Adjustment, 1, "K. Berg")
			e.ID, e.Steps = 1, c.used
			for i := range 3 {
				b.Recall(Cycle{AtNS: int64(i+1) * 1e12, Kind: Full, GapMM: c.mm, GapUMM: 0.005, ReleaseS: NoValue(), ReleaseUS: NoValue(), SetS: NoValue(), SetUS: NoValue(),
					SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}, &out)
			}
			out.Reset()
			b.TakeLedger([]Entry{e}, 4e12, &out)
			for _, f := range out.Findings {
				if f.Condition == LiningSpent {
					if (f.Excess > 0) != c.spent || f.Limit != c.limit {
						t.Errorf("found %+v, want spent %v against %v", f, c.spent, c.limit)
					}
					return
				}
			}
			t.Error("nothing was found of the lining")
		})
	}
}

// A part is ordered so that with nineteen in twenty odds it is there in time.
func TestPartsAreOrderedEarlyEnough(t *testing.T) {
	now := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).UnixNano()
	in := func(days int64) float64 { return float64(now + days*dayNS) }
	l := Lining{Parts: []Part{{Name: "brake lining", LeadDays: 42}, {Name: "washer", LeadDays: 10}}}
	got := Orders(l, Forecast{DateNS: Quantiles{P05: in(30), P50: in(60), P95: in(90)}}, now)
	if len(got) != 2 || got[0].ByNS != in(-12) || !got[0].Overdue || got[1].ByNS != in(20) || got[1].Overdue {
		t.Errorf("%+v", got)
	}
	got = Orders(l, Forecast{DateNS: Quantiles{P05: NoValue()}}, now)
	if Has(got[0].ByNS) || got[0].Overdue {
		t.Errorf("without a date: %+v", got[0])
	}
}

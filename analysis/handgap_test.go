package analysis

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// countedBrake has a drive signal and no travel probe.
func countedBrake() Settings {
	s := ringBrake()
	s.Drive.Present = true
	return s
}

// counting feeds n bare cycles, one each three minutes, from fromNS on.
func counting(b *Brake, fromNS int64, n int, out *Out) (atNS int64) {
	for i := range n {
		atNS = fromNS + int64(i)*int64(3*time.Minute)
		b.Recall(Cycle{AtNS: atNS, Kind: Jog, GapMM: NoValue(), GapUMM: NoValue(), ReleaseS: NoValue(), SetS: NoValue(), SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}, out)
	}
	return atNS
}

func byGauge(id, atNS int64, mm, u float64) Entry {
	e := NewEntry(Reading, atNS, "K. Berg")
	e.ID, e.GapMM, e.GapUMM, e.Repeats = id, mm, u, 3
	return e
}

// A reading alone gives gap, verdict and plan; what was counted since widens
// the gap, and a second reading narrows it and tells the wear.
func TestReadingsAloneJudgeABrake(t *testing.T) {
	b := New(countedBrake())
	var out Out
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).UnixNano()
	b.TakeLedger(nil, start, &out)
	if b.Verdict().State != Unknown || len(out.Forecasts) != 0 {
		t.Fatalf("nothing was read, and yet %+v", b.Verdict())
	}
	one := byGauge(1, start, 1.7, 0.04)
	b.TakeLedger([]Entry{one}, start, &out)
	v := b.Verdict()
	if v.State != InLimits || math.Abs(v.GapMM-1.7) > 0.005 || v.GapUMM < 0.039 || v.GapUMM > 0.045 {
		t.Fatalf("after the reading: %+v", v)
	}
	last := counting(b, start, 3000, &out)
	wider := b.Verdict()
	if !(wider.GapMM > 1.72) || wider.GapUMM < 2*v.GapUMM || wider.AtNS != last {
		t.Errorf("3000 cycles later it is %.3f ± %.3f mm, at first %.3f ± %.3f", wider.GapMM, wider.GapUMM, v.GapMM, v.GapUMM)
	}
	f := out.Forecasts[len(out.Forecasts)-1]
	if f.Limit != LiningForecast || !Has(f.Cycles.P05) || Has(f.Cycles.P50) {
		t.Errorf("one reading tells no wear, and yet %+v", f)
	}
	two := byGauge(2, last, 2.0, 0.04)
	out.Reset()
	b.TakeLedger([]Entry{one, two}, last, &out)
	v = b.Verdict()
	if math.Abs(v.GapMM-2.0) > 0.03 || v.GapUMM > 0.045 {
		t.Errorf("after the second reading: %.3f ± %.3f mm", v.GapMM, v.GapUMM)
	}
	f = out.Forecasts[0]
	// 0.3 mm in 3000 cycles, so the 0.8 mm to go take some 8000.
	if f.Limit != "adjust" || !(f.Cycles.P05 < 8000 && 8000 < f.Cycles.P95) || f.Cycles.P50 < 5000 || f.Cycles.P50 > 12000 || math.Abs(f.WearUMPerK-100) > 25 || !Has(f.DateNS.P50) {
		t.Errorf("the forecast is %+v", f)
	}
	p := PlanFor(countedBrake(), Verdict{AtNS: last, GapMM: 2.9, GapUMM: v.GapUMM}, UseOf(nil))
	if p.Action != Adjust || p.Steps != 3 || p.ExpectedUMM != v.GapUMM {
		t.Errorf("the plan is %+v", p)
	}
}

// The same ledger after the same cycles gives the same, whether it was given at
// once or piece by piece, and in whatever order it was entered.
func TestLedgerGivenAgainChangesNothing(t *testing.T) {
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).UnixNano()
	entries := []Entry{byGauge(1, start, 1.7, 0.04), byGauge(2, start+int64(3*time.Hour), 1.75, 0.05)}
	adjusted := NewEntry(Adjustment, start+int64(50*time.Hour), "K. Berg")
	adjusted.ID, adjusted.Steps = 3, 1
	wrong := byGauge(4, start+int64(60*time.Hour), 9, 0.05)
	right := byGauge(5, start+int64(60*time.Hour), 1.4, 0.05)
	right.Corrects = 4
	entries = append(entries, adjusted, wrong, right)

	var live, once Out
	a, b := New(countedBrake()), New(countedBrake())
	at := counting(a, start, 1300, &live)
	for i := range entries {
		a.TakeLedger(entries[:i+1], at, &live)
	}
	end := counting(a, at+1, 500, &live)
	counting(b, start, 1300, &once)
	counting(b, at+1, 500, &once)
	late := []Entry{entries[4], entries[2], entries[0], entries[1], entries[3]}
	a.TakeLedger(entries, end, &live)
	b.TakeLedger(late, end, &once)
	if fmt.Sprint(a.Verdict()) != fmt.Sprint(b.Verdict()) {
		t.Errorf("piece by piece %+v\nat once %+v", a.Verdict(), b.Verdict())
	}
	if a.forecastOf("adjust", 2.8, end).Cycles.P05 != b.forecastOf("adjust", 2.8, end).Cycles.P05 {
		t.Error("the forecasts differ")
	}
	if v := a.Verdict(); math.Abs(v.GapMM-1.4) > 0.1 {
		t.Errorf("the corrected reading still counts, or the adjustment doesn't: %+v", v)
	}
}

// Without a drive signal nothing is counted, and the gap goes on with time.
func TestReadingsFollowTimeWhereNothingIsCounted(t *testing.T) {
	b := New(ringBrake())
	var out Out
	start := time.Date(2026, 1, 1, 6, 0, 0, 0, time.UTC).UnixNano()
	entries := []Entry{byGauge(1, start-100*dayNS, 1.7, 0.03), byGauge(2, start, 2.2, 0.03)} // 5 µm a day
	b.TakeLedger(entries, start, &out)
	f := out.Forecasts[0]
	// 0.6 mm to go: about 120 days.
	days := func(ns float64) float64 { return (ns - float64(start)) / float64(dayNS) }
	if Has(f.Cycles.P50) || !(days(f.DateNS.P05) < 120 && 120 < days(f.DateNS.P95)) || math.Abs(days(f.DateNS.P50)-120) > 30 {
		t.Errorf("by time the limit comes after %.0f, %.0f, %.0f days", days(f.DateNS.P05), days(f.DateNS.P50), days(f.DateNS.P95))
	}
	was := b.Verdict()
	out.Reset()
	for day := int64(1); day <= 60; day++ {
		if b.WakeNS() > start+day*dayNS {
			t.Fatalf("nothing is to be done before %v", time.Unix(0, b.WakeNS()))
		}
		b.Advance(start+day*dayNS, &out)
	}
	if v := b.Verdict(); len(out.Verdicts) != 60 || math.Abs(v.GapMM-was.GapMM-0.3) > 0.08 || v.GapUMM <= was.GapUMM || v.AtNS != start+60*dayNS {
		t.Errorf("60 days and %d verdicts later it is %.3f ± %.3f mm, and was %.3f ± %.3f", len(out.Verdicts), v.GapMM, v.GapUMM, was.GapMM, was.GapUMM)
	}
}

// One reading and nothing else: a month later the brake may have worn, but a gap
// that was read well within its limits isn't beyond them, nor known to have grown
// by much. The limits of the ring brake lie 1.2 mm apart, a year's wear by custom.
func TestOneReadingLastsForWeeks(t *testing.T) {
	start := time.Date(2026, 1, 1, 6, 0, 0, 0, time.UTC).UnixNano()
	for _, c := range []struct {
		days  int64
		mm    float64
		state State
	}{{20, 1.7, InLimits}, {30, 1.7, InLimits}, {60, 1.7, InLimits}, {20, 2.9, AdjustDue}} {
		b := New(ringBrake())
		var out Out
		b.TakeLedger([]Entry{byGauge(1, start, c.mm, 0.03)}, start+c.days*dayNS, &out)
		v := b.Verdict()
		grown := 1.2 * float64(c.days) / 365
		if v.State != c.state || v.GapMM < c.mm || v.GapMM > c.mm+4*grown || v.GapUMM > 4*grown+0.03 {
			t.Errorf("%d days after a reading of %.1f mm: %s, %.3f ± %.3f mm", c.days, c.mm, v.State, v.GapMM, 2*v.GapUMM)
		}
	}
}

// An adjustment whose length isn't known, and a lining fitted without reading
// its gap, leave nothing known until somebody reads it.
func TestUnknownWorkLeavesTheGapUnknown(t *testing.T) {
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).UnixNano()
	lining := NewEntry(LiningFitted, start+2, "K. Berg")
	lining.ID = 2
	b := New(countedBrake())
	var out Out
	entries := []Entry{byGauge(1, start, 2.6, 0.04), lining}
	b.TakeLedger(entries[:1], start, &out)
	out.Reset()
	b.TakeLedger(entries, start+3, &out)
	if v := b.Verdict(); v.State != Unknown || Has(v.GapMM) || len(out.Verdicts) != 1 {
		t.Errorf("after a new lining without a reading: %+v", v)
	}
	b.TakeLedger(append(entries, byGauge(3, start+5, 1.6, 0.04)), start+6, &out)
	if v := b.Verdict(); v.State != InLimits || math.Abs(v.GapMM-1.6) > 0.01 {
		t.Errorf("read after it: %+v", v)
	}
}

// A brake with a probe is judged by its probe, whatever was read by hand.
func TestReadingsDontMoveAProbe(t *testing.T) {
	s := countedBrake()
	s.Travel.Present = true
	b := New(s)
	var out Out
	b.Recall(Cycle{AtNS: 1e9, GapMM: 2, GapUMM: 0.01, ReleaseS: NoValue(), SetS: NoValue(), SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}, &out)
	was := b.Verdict()
	b.TakeLedger([]Entry{byGauge(1, 2e9, 3.3, 0.01)}, 3e9, &out)
	if fmt.Sprint(b.Verdict()) != fmt.Sprint(was) {
		t.Errorf("a reading moved the verdict from %+v to %+v", was, b.Verdict())
	}
}

// Held against simulated linings that wear as a Wiener process: the gap stands
// within its bounds, and the forecast's band holds the truth nine times in ten.
// Ninety-five of 400 would be three standard deviations off the latter.
func TestHandForecastsHoldTheTruth(t *testing.T) {
	const brakes, perReading, way = 400, 1500, 1.2
	rnd := rand.New(rand.NewPCG(7, 11))
	inGap, inBand, told, asked := 0, 0, 0, 0
	for range brakes {
		rate := way / 30000 * math.Exp(1.0*rnd.NormFloat64())
		sigma := 0.04 * math.Sqrt(way*rate)
		const step = 100.0
		var path []float64 // gap every step cycles
		for g := 1.6; g < 2.8 && len(path) < 40_000; {
			path = append(path, g)
			g += rate*step + sigma*math.Sqrt(step)*rnd.NormFloat64()
		}
		life := float64(len(path)) * step
		ask := int(float64(len(path)) * (0.3 + 0.6*rnd.Float64()))
		var events []handEvent
		shared := 0.015 * rnd.NormFloat64()
		for i := 0; i <= ask; i += max(perReading/step, ask/12) {
			events = append(events, handEvent{work: float64(i) * step, mm: path[i] + shared + 0.035*rnd.NormFloat64(), own: 0.035, all: 0.015})
		}
		h := followByHand(events, lognormal{math.Log(way / 30000), 1.5}, way)
		h.toNow = float64(ask)*step - h.at
		mm, u := h.gap()
		asked++
		if math.Abs(mm-path[ask]) <= 2*u {
			inGap++
		}
		if !h.worn || len(path) >= 40_000 {
			continue
		}
		law, _, _ := h.law(2.8)
		told++
		if left := life - float64(ask)*step; law.quantile(0.05) <= left && left <= law.quantile(0.95) {
			inBand++
		}
	}
	t.Logf("gap within 2u: %d of %d; life within p05 to p95: %d of %d", inGap, asked, inBand, told)
	if inGap < 370 {
		t.Errorf("the gap lies within 2u for %d of %d brakes", inGap, asked)
	}
	if p := float64(inBand) / float64(told); told < 250 || p < 0.855 || p > 0.985 {
		t.Errorf("the band holds the truth for %d of %d brakes", inBand, told)
	}
}

package store

import (
	"math"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// What a clock that was decades ahead has left behind is never the latest again,
// once the clock is right: neither cycle nor waveform nor the end of a curve; it
// is still there for whoever asks for that time. And no waveform is kept for an
// alarm of those years.
func TestLatestIsWhatWasStoredLast(t *testing.T) {
	d := openAt(t, t.TempDir())
	const ahead = int64(40 * 365 * dayNS)
	stored := func(i int, aheadNS int64, alarmed bool) {
		c := cycleAt(mainBrake, i)
		c.AtNS += aheadNS
		b := &Batch{Cycles: []CycleRow{c}, Verdicts: []VerdictRow{{Brake: mainBrake, Verdict: analysis.Verdict{AtNS: c.AtNS, GapMM: c.GapMM}}},
			Forecasts: []ForecastRow{{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: c.AtNS, Limit: "adjust", GapMM: c.GapMM, GapUMM: 0.01}}},
			Waveforms: []WaveformRow{{Brake: mainBrake, Waveform: analysis.Waveform{CycleAtNS: c.AtNS, OffNS: 4e9}}}}
		if alarmed {
			b.Alarms = []AlarmRow{{Event: alerts.Event{AtNS: c.AtNS + 5, Brake: mainBrake, Condition: analysis.NotReleased, Change: alerts.Raised}}}
		}
		commit(t, d, b)
	}
	for i := range 30 {
		stored(i, ahead, i == 29)
	}
	for i := 30; i < 50; i++ {
		stored(i, 0, false)
	}
	last := cycleAt(mainBrake, 49).AtNS
	if got := must(d.Cycles(t.Context(), mainBrake, 0, math.MaxInt64, 5)); len(got) != 5 || got[4].AtNS != last || got[4].ID != 50 || got[0].ID != 46 {
		t.Errorf("the latest cycles are %+v", got)
	}
	if got := must(d.Cycles(t.Context(), mainBrake, last+dayNS, math.MaxInt64-1, 0)); len(got) != 30 {
		t.Errorf("of those years %d cycles are found, want 30", len(got))
	}
	w, ok, err := d.Waveform(t.Context(), mainBrake)
	if err != nil || !ok || w.CycleAtNS != last {
		t.Errorf("the latest waveform is of %v (%v)", time.Unix(0, w.CycleAtNS), err)
	}
	if kept := must(d.AlarmedWaveforms(t.Context(), mainBrake, 100)); len(kept) != 1 || kept[0].CycleAtNS < last+dayNS {
		t.Errorf("%d waveforms of alarmed cycles are kept, want one", len(kept))
	}
	if points := must(d.Thinned(t.Context(), mainBrake, 0, math.MaxInt64, 10)); len(points) < 8 || points[len(points)-1].AtNS > last {
		t.Errorf("the gaps' course ends with %+v", points[max(0, len(points)-1):])
	}
	if points := must(d.Filtered(t.Context(), mainBrake, 0, math.MaxInt64, 10)); len(points) < 8 || points[len(points)-1].AtNS > last {
		t.Errorf("the filtered gap's course ends with %+v", points[max(0, len(points)-1):])
	}
}

package report

import (
	"errors"
	"strings"
	"testing"

	"gapward/analysis"
)

func TestSlipsOfThePenAreDoubted(t *testing.T) {
	s := analysis.Settings{Name: "quay-2/main", Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4},
		Adjuster: analysis.Adjuster{Ring: &analysis.Ring{Holes: 6, PitchMM: 3, Uses: 3}}, Lining: analysis.Lining{ThicknessMM: 6, MinimumMM: 4}}
	entry := func(k analysis.EntryKind, set func(*analysis.Entry)) analysis.Entry {
		e := analysis.NewEntry(k, 1, "K. Berg")
		set(&e)
		return e
	}
	gap := func(mm float64) analysis.Entry {
		return entry(analysis.Reading, func(e *analysis.Entry) { e.GapMM = mm })
	}
	steps := func(n int) analysis.Entry {
		return entry(analysis.Adjustment, func(e *analysis.Entry) { e.Steps = n })
	}
	lining := func(mm, gap float64) analysis.Entry {
		return entry(analysis.LiningFitted, func(e *analysis.Entry) { e.ThicknessMM, e.GapMM = mm, gap })
	}
	none := analysis.NoValue()
	for _, c := range []struct {
		e    analysis.Entry
		want string // empty: nothing is wrong with it
	}{
		{gap(2.9), ""}, {gap(0), ""}, {gap(5), ""}, {gap(95), "a gap of 95.00 mm is more than twice the maximum of quay-2/main, which is 3.40 mm; look at unit"},
		{steps(1), ""}, {steps(-6), ""}, {steps(100), "100 steps of 0.50 mm each are 50.0 mm, and the largest gap that quay-2/main may have is 3.40 mm"}, {steps(-100), "-100 steps"},
		{lining(6.05, none), ""}, {lining(none, 1.6), ""}, {lining(60, none), "more than twice as thick as a new one"}, {lining(0.6, none), "thinner than the least"}, {lining(none, 16), "a gap of 16.00 mm"},
		{entry(analysis.Retest, func(*analysis.Entry) {}), ""},
	} {
		err := Doubt(c.e, s)
		var doubt *DoubtError
		if (err != nil) != (c.want != "") || err != nil && (!errors.As(err, &doubt) || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%+v: %v, want %q", c.e, err, c.want)
		}
	}
	if err := Doubt(steps(100), analysis.Settings{Limits: s.Limits}); err != nil {
		t.Errorf("without an adjuster: %v", err)
	}
}

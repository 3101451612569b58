package analysis

import (
	"math"
	"strings"
	"testing"
	"time"
)

func seen(n int, mm, u float64) (list []Cycle) {
	for i := range n {
		list = append(list, Cycle{AtNS: int64(i), GapMM: mm + 0.004*float64(i%3-1), GapUMM: u, Kind: Full})
	}
	return list
}

func TestReadingBesideTheProbe(t *testing.T) {
	s := ringBrake()
	s.Travel.CalibrationU = 0.01
	e := byGauge(1, 100, 1.92, 0.05)
	e.UBMM = 0.03
	around := seen(20, 2.0, 0.005)
	around[3].Flags, around[3].GapMM = FlagBumped, 9
	around[4].Kind, around[4].GapMM = Jog, NoValue()
	c, ok := CompareAt(s, e, around)
	if !ok || math.Abs(c.OffMM+0.08) > 0.005 || math.Abs(c.UMM-math.Sqrt(0.05*0.05+0.01*0.01)) > 0.001 || !c.Agrees {
		t.Errorf("%v %+v", ok, c)
	}
	if _, ok := CompareAt(s, e, around[:2]); ok {
		t.Error("two cycles were taken for the probe's gap")
	}
	e.GapMM = 1.7
	if c, _ = CompareAt(s, e, around); c.Agrees {
		t.Errorf("0.3 mm off, and they agree: %+v", c)
	}
}

// Worked by hand. Four readings, each 0.04 mm of its own and 0.03 mm of a
// gauge that all share, a year apart, off by +0.06, +0.08, +0.10, +0.12 mm: the
// mean is 0.09 with u = √(0.04²/4 + 0.03²) = 0.036056, and they grow by 0.02 mm a
// year with u = 0.04/√(1.5² + 0.5² + 0.5² + 1.5²) = 0.017889.
func TestBiasByHand(t *testing.T) {
	var list []Compared
	for i, off := range []float64{0.06, 0.08, 0.10, 0.12} {
		list = append(list, Compared{AtNS: int64(float64(i) * yearNS), Comparison: Comparison{OffMM: off}, singleU: 0.04, sharedU: 0.03})
	}
	b := BiasOf(list)
	near(t, "bias", b.MM, 0.09, 1e-12)
	near(t, "its u", b.UMM, 0.0360555, 1e-6)
	near(t, "growth", b.PerYearMM, 0.02, 1e-9)
	near(t, "its u", b.PerYearUMM, 0.0178885, 1e-6)
	if b.Agrees || b.Readings != 4 || !strings.Contains(b.Words(), "differ by +0.09 ± 0.08 mm") {
		t.Errorf("%+v %s", b, b.Words())
	}
	if b = BiasOf(list[:2]); Has(b.PerYearMM) || !b.Agrees {
		t.Errorf("of two readings: %+v", b)
	}
	if b = BiasOf(nil); Has(b.MM) || b.Words() != "no hand reading can be compared with the probe" {
		t.Errorf("of none: %+v", b)
	}
}

func TestRetestFollowsTheWork(t *testing.T) {
	at := int64(0)
	entry := func(kind EntryKind, noLoad, withLoad Trial) Entry {
		at++
		e := NewEntry(kind, at*int64(time.Hour), "K. Berg")
		e.ID, e.NoLoad, e.WithLoad = at, noLoad, withLoad
		if kind == Adjustment {
			e.Steps = 1
		}
		return e
	}
	var ledger []Entry
	for _, c := range []struct {
		e      Entry
		needed bool
		says   string
	}{
		{entry(Reading, "", ""), false, "no work has been entered"},
		{entry(Adjustment, "", ""), true, "not signed for yet"},
		{entry(Retest, Failed, ""), true, "failed, by K. Berg: don't return the hoist to service"},
		{entry(Retest, Passed, Failed), true, "failed"},
		{entry(Retest, Passed, ""), false, "no trial with load was entered"},
		{entry(Retest, Passed, Passed), false, "passed without load and with load"},
		{entry(Adjustment, "", ""), true, "not signed for yet"},
		{entry(OutOfService, "", ""), true, "not signed for yet"},
		{entry(ReturnedToUse, "", ""), true, "not signed for yet"},
	} {
		ledger = append(ledger, c.e)
		if r := RetestOf(ledger); r.Needed != c.needed || !strings.Contains(r.Words, c.says) {
			t.Errorf("after %s: needed %v, %s; want %v, %s", c.e.Kind, r.Needed, r.Words, c.needed, c.says)
		}
	}
	for _, bad := range []Entry{entry(Retest, "", Passed), entry(Retest, Failed, Passed), entry(Retest, "perhaps", ""), entry(Adjustment, Passed, "")} {
		if err := bad.Check(1e18); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
	load := 0
	for i, step := range RetestSteps() {
		if step.Load {
			load++
		} else if load > 0 {
			t.Errorf("step %d is without load after one with it", i+1)
		}
	}
	if load == 0 || load == len(RetestSteps()) {
		t.Errorf("%d steps of the retest are with load", load)
	}
}

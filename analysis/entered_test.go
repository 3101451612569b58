package analysis

import (
	"math/rand/v2"
	"strings"
	"testing"
)

// worked is a brake with a ring of holes of half a millimetre, fed with cycles.
type worked struct {
	b       *Brake
	random  *rand.Rand
	gapMM   float64 // true
	atNS    int64
	entries []Entry
	out     Out // of all so far
}

func newWorked(gapMM float64) *worked {
	s := handSettings()
	s.Adjuster = Adjuster{Ring: &Ring{Holes: 6, PitchMM: 3, Uses: 3}}
	return &worked{b: New(s), random: rand.New(rand.NewPCG(7, 8)), gapMM: gapMM, atNS: 1e18}
}

// cycles feeds so many cycles, which wear half a micrometre each.
func (w *worked) cycles(n int) {
	no := NoValue()
	for range n {
		w.atNS += 60e9
		w.gapMM += 0.0005
		w.b.Recall(Cycle{AtNS: w.atNS, OnNS: 5e9, GapMM: w.gapMM + 0.004*w.random.NormFloat64(), GapUMM: 0.004, GapUCalMM: no,
			ReleaseS: no, ReleaseUS: no, SetS: no, SetUS: no, SetLevelMM: no, ReleasedLevelMM: no, TemperatureC: no}, &w.out)
	}
}

// enter enters something done agoNS before.
func (w *worked) enter(kind EntryKind, agoNS int64, change func(*Entry)) Entry {
	e := NewEntry(kind, w.atNS+30e9-agoNS, "K. Berg")
	e.ID, e.EnteredNS = int64(len(w.entries)+1), w.atNS+30e9
	if change != nil {
		change(&e)
	}
	w.entries = append(w.entries, e)
	w.b.Entered(e, w.entries, &w.out)
	return e
}

func holes(n int) func(*Entry) { return func(e *Entry) { e.Steps = n } }

// stepFindings are those of a sudden change of the gap.
func (w *worked) stepFindings() (list []Finding) {
	for _, f := range w.out.Findings {
		if f.Condition == GapStep {
			list = append(list, f)
		}
	}
	return list
}

func (w *worked) latestCheck(t *testing.T) WorkCheck {
	t.Helper()
	if len(w.out.Checks) == 0 {
		t.Fatal("no check")
	}
	return w.out.Checks[len(w.out.Checks)-1]
}

// An adjustment that is entered as it is made: the gap is right with the very
// first cycle, the wear goes on at the rate known, nobody is told of a step, and
// five cycles later it is said how it came out.
func TestEnteredAdjustment(t *testing.T) {
	for _, c := range []struct {
		name    string
		entered int
		done    float64 // mm
		outcome Outcome
		words   string
	}{
		{"as planned", 2, 1.0, AsPlanned, "as planned"},
		{"one short", 2, 0.5, OffSteps, "one hole short"},
		{"not done", 1, 0, OffSteps, "as if the adjustment had not been made"},
		{"one too far", 1, 1.0, OffSteps, "one hole too far"},
		{"turned back", -1, -0.5, AsPlanned, "as planned"},
	} {
		w := newWorked(1.9)
		w.cycles(1500)
		rate := w.b.wear.rate
		e := w.enter(Adjustment, 0, holes(c.entered))
		if got := w.latestCheck(t); got.Entry != e.ID || got.Outcome != Waiting {
			t.Errorf("%s: at once %+v", c.name, got)
		}
		w.gapMM -= c.done
		w.cycles(1)
		if v := w.b.Verdict(); v.GapMM < w.gapMM-0.02 || v.GapMM > w.gapMM+0.02 || v.Change.Kind != Adjusted {
			t.Errorf("%s: after one cycle the gap is %.3f ± %.3f, want %.3f; %v", c.name, v.GapMM, v.GapUMM, w.gapMM, v.Change.Kind)
		}
		if after := w.b.wear.rate; after < 0.9*rate || after > 1.1*rate {
			t.Errorf("%s: the rate went from %v to %v", c.name, rate, after)
		}
		w.cycles(4)
		if got := w.latestCheck(t); got.Entry != e.ID || got.Outcome != c.outcome || !strings.Contains(got.Words, c.words) {
			t.Errorf("%s: %+v", c.name, got)
		}
		w.cycles(50)
		if list := w.stepFindings(); len(list) > 0 {
			t.Errorf("%s: told as a step: %+v", c.name, list)
		}
		if len(w.out.Offers) > 0 || w.latestCheck(t).Cycles != 5 {
			t.Errorf("%s: offered %+v, checked %+v", c.name, w.out.Offers, w.latestCheck(t))
		}
	}
}

// A step by a whole number of holes that nobody entered is offered. Entered
// late, it is explained: the alarm ends, the offer is taken back, and it is said
// how it came out, from the cycles that were there.
func TestStepThatNobodyEntered(t *testing.T) {
	for _, timed := range []bool{true, false} {
		w := newWorked(1.9)
		w.cycles(1500)
		w.gapMM -= 0.5
		w.cycles(12)
		if n := len(w.out.Offers); n != 1 || w.out.Offers[0].Steps != 1 || !strings.Contains(w.out.Offers[0].Words, "one hole") {
			t.Fatalf("offered: %+v", w.out.Offers)
		}
		if list := w.stepFindings(); len(list) != 1 || list[0].Excess <= 0 {
			t.Fatalf("told: %+v", list)
		}
		ago := int64(0) // entered with the time of the entry
		if timed {
			ago = 12 * 60e9
		}
		e := w.enter(Adjustment, ago, holes(1))
		if list := w.stepFindings(); len(list) != 2 || list[1].Excess > 0 {
			t.Errorf("the alarm doesn't end: %+v", list)
		}
		if last := w.out.Offers[len(w.out.Offers)-1]; last.Steps != 0 {
			t.Errorf("still offered: %+v", last)
		}
		if got := w.latestCheck(t); got.Entry != e.ID || got.Outcome != AsPlanned {
			t.Errorf("how it came out (timed %v): %+v; %+v", timed, got, w.b.work)
		}
		gap := w.b.Verdict().GapMM
		w.cycles(1)
		if v := w.b.Verdict(); v.GapMM < gap-0.01 || v.GapMM > gap+0.01 || v.Change.Kind != Adjusted {
			t.Errorf("the gap went from %v to %v, %v", gap, v.GapMM, v.Change.Kind)
		}
	}
	// A step of another size is no adjustment.
	w := newWorked(1.9)
	w.cycles(1500)
	w.gapMM += 0.21
	w.cycles(30)
	if len(w.out.Offers) != 0 || w.b.Verdict().Change.Kind != GapRose {
		t.Errorf("offered %+v, %v", w.out.Offers, w.b.Verdict().Change.Kind)
	}
}

// Work that is corrected in its figures is compared anew; taken out, it isn't.
func TestCorrectedWork(t *testing.T) {
	w := newWorked(1.9)
	w.cycles(1500)
	e := w.enter(Adjustment, 0, holes(2))
	w.gapMM -= 0.5
	w.cycles(5)
	if got := w.latestCheck(t); got.Outcome != OffSteps || got.Short != 1 {
		t.Fatalf("%+v", got)
	}
	again := w.enter(Adjustment, 0, func(c *Entry) { c.Steps, c.Corrects = 1, e.ID })
	if got := w.latestCheck(t); got.Entry != again.ID || got.Outcome != AsPlanned {
		t.Errorf("corrected: %+v", got)
	}
	n := len(w.out.Checks)
	w.enter(CorrectionOnly, 0, func(c *Entry) { c.Corrects = again.ID })
	if w.cycles(10); len(w.out.Checks) != n {
		t.Errorf("taken out: %+v", w.out.Checks[n:])
	}
}

// A new lining that is entered runs in, whatever the gap did; one that wears on
// like the old one keeps its rate.
func TestEnteredLining(t *testing.T) {
	w := newWorked(2.6)
	w.cycles(3000)
	w.enter(LiningFitted, 0, func(e *Entry) { e.GapMM, e.GapUMM = 1.6, 0.02 })
	w.gapMM = 1.6
	w.cycles(5)
	v, k := w.b.Verdict(), w.b.wear.bank
	if v.Change.Kind != NewLining || !k.fitted || k.lining < 2999 || len(w.stepFindings()) > 0 {
		t.Errorf("%v, fitted %v at %v cycles, %+v", v.Change.Kind, k.fitted, k.lining, w.stepFindings())
	}
	if got := w.latestCheck(t); got.Outcome != AsPlanned {
		t.Errorf("%+v", got)
	}
	if v.GapMM < 1.58 || v.GapMM > 1.63 {
		t.Errorf("the gap is %v", v.GapMM)
	}
}

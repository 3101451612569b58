package analysis

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// ringBrake is the site file's example: six holes on a pitch of 3 mm, so half a
// millimetre a hole, and three of them in a lining's life.
func ringBrake() Settings {
	return Settings{Name: "quay-2/main", Kind: Conical, Limits: Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4},
		Adjuster: Adjuster{Ring: &Ring{Holes: 6, PitchMM: 3, Uses: 3}}, Lining: Lining{ThicknessMM: 6, MinimumMM: 4, ConeHalfAngleDeg: 15}}
}

func shimBrake() Settings {
	return Settings{Name: "quay-2/creep", Kind: Conical, Limits: Limits{MinMM: 0.8, TargetMM: 1.0, AdjustMM: 1.8, MaxMM: 2.2},
		Adjuster: Adjuster{Shims: &Shims{Packs: 2, ThicknessMM: 0.1, Fitted: 10}}, Lining: Lining{ThicknessMM: 4, MinimumMM: 2.5, ConeHalfAngleDeg: 15}}
}

func screwBrake() Settings {
	return Settings{Name: "gantry-1/hoist", Kind: Disc, Limits: Limits{MinMM: 0.3, TargetMM: 0.45, AdjustMM: 0.9, MaxMM: 1.2},
		Adjuster: Adjuster{Screw: &Screw{PitchMM: 1.5, Turn: 0.0625}}, Lining: Lining{ThicknessMM: 8, MinimumMM: 5}}
}

// narrowRing's limits lie closer together than a hole of its ring goes.
func narrowRing() Settings {
	s := ringBrake()
	s.Limits = Limits{MinMM: 1.2, TargetMM: 1.3, AdjustMM: 1.45, MaxMM: 3.6}
	return s
}

func at(gapMM, u float64) Verdict { return Verdict{AtNS: 1, GapMM: gapMM, GapUMM: u} }

func used(steps int) LiningUse { return LiningUse{Known: true, StepsUsed: steps} }

func TestPlansByHand(t *testing.T) {
	for _, c := range []struct {
		name    string
		set     Settings
		v       Verdict
		use     LiningUse
		action  Action
		steps   int
		afterMM float64
		left    int // after
		says    string
	}{
		// 2.82 − 2·0.5 = 1.82; three would leave 1.32, with U = 0.02 above 1.2
		// too, but 0.28 from the target and not 0.22.
		{"ring, two holes", ringBrake(), at(2.82, 0.01), used(0), Adjust, 2, 1.82, 1, "Turn the brake ring on by 2 index holes (1/3 turn)."},
		{"ring, the last hole", ringBrake(), at(2.82, 0.01), used(2), Adjust, 1, 2.32, 0, "the lining has one hole left"},
		{"ring, none left", ringBrake(), at(2.82, 0.01), used(3), Reline, 0, math.NaN(), 0, "one hole would leave 2.32 ± 0.02 mm, but the lining has no holes left: fit a new lining, ring back"},
		{"ring, what is left doesn't do", ringBrake(), at(3.5, 0.01), used(2), Reline, 0, math.NaN(), 1, "the one hole left would leave 3.00 ± 0.02 mm, still due at the 2.8 mm limit: fit a new lining, ring back"},
		{"ring, near enough", ringBrake(), at(1.62, 0.01), used(0), Leave, 0, math.NaN(), 3, "as near the target of 1.6 mm as one hole at a time can bring it"},
		{"ring, set too far", ringBrake(), at(1.0, 0.01), used(2), Adjust, -1, 1.5, 2, "Turn the brake ring back by one index hole (1/6 turn)."},
		{"ring, too narrow for no known reason", ringBrake(), at(1.0, 0.01), used(0), Unplanned, 0, math.NaN(), 3, "nothing was turned on that could be turned back"},
		// 1.82 − 2·0.2 = 1.42, 1.02 one more: 4 shims a pack, 8 in all.
		{"shims", shimBrake(), at(1.82, 0.01), used(0), Adjust, 4, 1.02, 6, "Take 4 shims out of each of the 2 packs (8 in all, 0.1 mm each)."},
		{"shims back", shimBrake(), at(0.75, 0.01), used(3), Adjust, -1, 0.95, 8, "Put one shim back into each of the 2 packs (2 in all, 0.1 mm each)."},
		{"shims, none left", shimBrake(), at(1.9, 0.01), used(10), Reline, 0, math.NaN(), 0, "has no shims left: fit a new lining, 10 shims in each pack again"},
		// 1.5/16 = 0.09375: (0.92 − 0.45)/0.09375 = 5.01.
		{"screw", screwBrake(), at(0.92, 0.005), used(0), Adjust, 5, 0.45125, 0, "Turn the adjusting screw on by 5/16 turn."},
		// 2.94 − 6·0.2 = 1.74, under 1.8; nothing leaves 1.27 of doubt above 0.8 mm.
		{"hardly known", shimBrake(), at(2.94, 0.635), used(0), Unplanned, 0, math.NaN(), 10, "a gap known better than to ± 1.27 mm could be planned for: measure it again"},
		// 3.0 − 3·0.5 = 1.5, over 1.45; one more leaves 1.0.
		{"ring, no number of holes and three left", narrowRing(), at(3.0, 0.01), used(0), Reline, 0, math.NaN(), 3, "4 holes would leave 1.00 ± 0.02 mm, under the 1.2 mm minimum; the lining has 3 holes left: fit a new lining, ring back"},
		{"no gap", ringBrake(), at(math.NaN(), math.NaN()), used(0), Unplanned, 0, math.NaN(), 3, "no gap has been measured yet"},
		{"no uncertainty", ringBrake(), at(2, math.NaN()), used(0), Unplanned, 0, math.NaN(), 3, "no known uncertainty"},
		{"no adjuster", Settings{Limits: ringBrake().Limits}, at(2.9, 0.01), used(0), Unplanned, 0, math.NaN(), 0, "doesn't say how this brake is adjusted"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := PlanFor(c.set, c.v, c.use)
			if p.Action != c.action || p.Steps != c.steps || p.After.StepsLeft != c.left {
				t.Errorf("%s of %d steps, %d left after; want %s, %d, %d (%+v)", p.Action, p.Steps, p.After.StepsLeft, c.action, c.steps, c.left, p)
			}
			if Has(c.afterMM) != Has(p.ExpectedMM) {
				t.Fatalf("expected gap is %v, want %v", p.ExpectedMM, c.afterMM)
			}
			if Has(c.afterMM) {
				near(t, "expected gap", p.ExpectedMM, c.afterMM, 1e-12)
			}
			if text := p.Do + p.Reason + p.Note; !strings.Contains(text, c.says) {
				t.Errorf("it says %q; want %q", text, c.says)
			}
		})
	}
}

// A hole too coarse for the limits leads under the minimum; with the lining
// used up as well, both are said.
func TestReasonsAreJoined(t *testing.T) {
	s := ringBrake()
	s.Adjuster.Ring.PitchMM = 10.8 // 1.8 mm a hole
	p := PlanFor(s, at(2.85, 0.005), used(3))
	if want := "one hole would leave 1.05 ± 0.01 mm, under the 1.2 mm minimum; the lining has no holes left: fit a new lining, ring back"; p.Reason != want || p.Action != Reline {
		t.Errorf("%s: %s\nwant %s", p.Action, p.Reason, want)
	}
	p = PlanFor(s, at(2.85, 0.005), used(0))
	if p.Action != Unplanned || !strings.Contains(p.Reason, "ask the hoist maker") {
		t.Errorf("%s: %s", p.Action, p.Reason)
	}
	s.Adjuster.Ring.PitchMM = 8.4 // 1.4 mm a hole: 1.45 fits, but not with U = 0.4
	p = PlanFor(s, at(2.85, 0.2), used(0))
	if p.Action != Unplanned || !strings.Contains(p.Reason, "one hole would leave 1.45 ± 0.40 mm, which may be under the 1.2 mm minimum; a gap known better than to ± 0.40 mm") {
		t.Errorf("%s: %s", p.Action, p.Reason)
	}
}

func TestSpentLiningIsNotAdjusted(t *testing.T) {
	s := ringBrake()
	s.Adjuster.Ring.Uses = 0 // steps not counted: only the thickness tells
	// Worn along the travel: 2.85 − 1.6 + 13·0.5 = 7.75 mm, on the cone
	// 7.75·sin 15° = 2.006 mm of 2 mm.
	p := PlanFor(s, at(2.85, 0.01), used(13))
	if p.Action != Reline || !strings.Contains(p.Reason, "the lining is down to 3.99 ± 0.01 mm of at least 4 mm: fit a new lining, ring back") {
		t.Errorf("%s: %s", p.Action, p.Reason)
	}
	near(t, "thickness", p.Before.ThicknessMM, 6-7.75*math.Sin(15*math.Pi/180), 1e-12)
	// Ten steps: 6.25 mm of travel, 1.6176 mm of lining; the 0.3824 mm left are
	// 1.4774 mm of travel. Two holes leave 1.85, so it ends at 3.33, after adjust.
	if p = PlanFor(s, at(2.85, 0.01), used(10)); p.Action != Adjust || p.Note != "" {
		t.Errorf("%s, noting %q", p.Action, p.Note)
	}
	// Twelve: 7.25 mm are 1.8764 mm; the 0.1236 mm left end at a gap of 2.33.
	if p = PlanFor(s, at(2.85, 0.01), used(12)); !strings.Contains(p.Note, "at its minimum of 4 mm at a gap of 2.33 mm") {
		t.Errorf("it notes %q", p.Note)
	}
}

func anySettings() *rapid.Generator[Settings] {
	return rapid.Custom(func(t *rapid.T) Settings {
		f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		var s Settings
		s.Limits.MinMM = f("min", 0.2, 2)
		s.Limits.TargetMM = s.Limits.MinMM + f("target", 0.05, 1)
		s.Limits.AdjustMM = s.Limits.TargetMM + f("adjust", 0.1, 2)
		s.Limits.MaxMM = s.Limits.AdjustMM + f("max", 0.1, 1)
		switch rapid.IntRange(0, 2).Draw(t, "adjuster") {
		case 0:
			s.Adjuster.Ring = &Ring{Holes: rapid.IntRange(1, 24).Draw(t, "holes"), PitchMM: f("pitch", 0.5, 6), Uses: rapid.IntRange(0, 8).Draw(t, "uses")}
		case 1:
			s.Adjuster.Shims = &Shims{Packs: rapid.IntRange(1, 4).Draw(t, "packs"), ThicknessMM: f("thickness", 0.05, 0.5), Fitted: rapid.IntRange(0, 12).Draw(t, "fitted")}
		default:
			s.Adjuster.Screw = &Screw{PitchMM: f("pitch", 0.5, 3), Turn: rapid.SampledFrom([]float64{1, 0.5, 0.25, 1. / 6, 0.0625}).Draw(t, "turn")}
		}
		return s
	})
}

func anyUse() *rapid.Generator[LiningUse] {
	return rapid.Custom(func(t *rapid.T) LiningUse {
		return LiningUse{Known: true, StepsUsed: rapid.IntRange(0, 10).Draw(t, "used")}
	})
}

// allowed are all numbers of steps that serve, found by trying.
func allowed(s Settings, v Verdict, use LiningUse) (list []int) {
	step, _ := s.Adjuster.Step()
	total := s.Adjuster.steps()
	for n := -use.StepsUsed; n <= 400; n++ {
		after := v.GapMM - float64(n)*step.MM
		if after < v.GapMM-400*step.MM || total > 0 && n > max(total-use.StepsUsed, 0) {
			break
		}
		if after-2*v.GapUMM >= s.Limits.MinMM && after+1.645*v.GapUMM < s.Limits.AdjustMM {
			list = append(list, n)
		}
	}
	return list
}

// nearTie reports whether a figure of the plan lies so near a bound or a tie
// that rounding may decide either way.
func nearTie(s Settings, v Verdict) bool {
	step, _ := s.Adjuster.Step()
	for _, x := range []float64{(v.GapMM - 2*v.GapUMM - s.Limits.MinMM) / step.MM, (v.GapMM + GuardFactor*v.GapUMM - s.Limits.AdjustMM) / step.MM, (v.GapMM-s.Limits.TargetMM)/step.MM - 0.5} {
		if math.Abs(x-math.Round(x)) < 1e-6 {
			return true
		}
	}
	return false
}

func TestPlanIsTheNearestAllowed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, use := anySettings().Draw(t, "settings"), anyUse().Draw(t, "use")
		v := at(rapid.Float64Range(0.05, 8).Draw(t, "gap"), rapid.Float64Range(0, 0.3).Draw(t, "u"))
		if nearTie(s, v) {
			t.Skip("rounding decides")
		}
		p := PlanFor(s, v, use)
		list := allowed(s, v, use)
		if (p.Reason == "") != (p.Action == Adjust) {
			t.Fatalf("%s with the reason %q", p.Action, p.Reason)
		}
		if len(list) == 0 {
			if p.Action == Adjust || p.Action == Leave && p.Due {
				t.Fatalf("nothing is allowed and the plan is %+v", p)
			}
			return
		}
		if p.Action != Adjust && p.Action != Leave {
			t.Fatalf("%v are allowed, and there is no plan: %s", list, p.Reason)
		}
		step, _ := s.Adjuster.Step()
		off := func(n int) float64 { return math.Abs(v.GapMM - float64(n)*step.MM - s.Limits.TargetMM) }
		found := false
		for _, n := range list {
			found = found || n == p.Steps
			if off(n) < off(p.Steps)-1e-9 {
				t.Fatalf("%d steps come nearer to the target than %d", n, p.Steps)
			}
		}
		if !found {
			t.Fatalf("%d steps are not among those allowed, %v", p.Steps, list)
		}
	})
}

func TestPlansKeepTheirPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, use := anySettings().Draw(t, "settings"), anyUse().Draw(t, "use")
		v := at(rapid.Float64Range(0.05, 8).Draw(t, "gap"), rapid.Float64Range(0, 0.3).Draw(t, "u"))
		p := PlanFor(s, v, use)
		if p.Action != Adjust {
			if p.Steps != 0 || p.Do != "" || Has(p.ExpectedMM) || p.Before.StepsLeft != p.After.StepsLeft {
				t.Fatalf("no adjustment, and yet %+v", p)
			}
			return
		}
		if p.ExpectedMM < s.Limits.MinMM+2*p.ExpectedUMM-1e-9 {
			t.Fatalf("%v mm would be under %v + %v", p.ExpectedMM, s.Limits.MinMM, 2*p.ExpectedUMM)
		}
		if p.Before.limited() && (p.Steps > p.Before.StepsLeft || p.After.StepsUsed != use.StepsUsed+p.Steps || p.After.StepsLeft != max(p.After.StepsTotal-p.After.StepsUsed, 0)) {
			t.Fatalf("%d steps of a budget of %+v leave %+v", p.Steps, p.Before, p.After)
		}
		if p.Steps < -use.StepsUsed {
			t.Fatalf("%d steps back, and only %d were taken", -p.Steps, use.StepsUsed)
		}
		// What comes off the gap is the same number out of each pack: never a
		// single shim more from one of them.
		if sh := s.Adjuster.Shims; sh != nil {
			shims := (v.GapMM - p.ExpectedMM) / sh.ThicknessMM
			if got := math.Round(shims); math.Abs(shims-got) > 1e-6 || int(got)%sh.Packs != 0 {
				t.Fatalf("%v shims come out of %d packs", shims, sh.Packs)
			}
		}
	})
}

func TestPlanRisesWithTheGap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, use := anySettings().Draw(t, "settings"), anyUse().Draw(t, "use")
		u := rapid.Float64Range(0, 0.1).Draw(t, "u")
		a := rapid.Float64Range(0.05, 6).Draw(t, "gap")
		b := a + rapid.Float64Range(0, 2).Draw(t, "more")
		p, q := PlanFor(s, at(a, u), use), PlanFor(s, at(b, u), use)
		planned := func(p AdjustPlan) bool { return p.Action == Adjust || p.Action == Leave }
		if planned(p) && planned(q) && p.Steps > q.Steps {
			t.Fatalf("%d steps at %v mm and only %d at %v mm", p.Steps, a, q.Steps, b)
		}
	})
}

// Advance per index step is pitch over positions.
func TestStepOfARingAgainstTheThread(t *testing.T) {
	for _, row := range table(t, "thread_index.csv") {
		a := Adjuster{Ring: &Ring{Holes: int(number(t, row, "index_positions")), PitchMM: number(t, row, "pitch_mm")}}
		step, ok := a.Step()
		if !ok {
			t.Fatal("no step")
		}
		near(t, "advance", step.MM, number(t, row, "advance_mm_per_step"), 1e-8)
	}
}

// The largest number of steps that keeps the travel at or above the nominal
// one; that is the plan where the target is the minimum and the gap known
// exactly.
func TestStepsAgainstComputedAdjustments(t *testing.T) {
	for _, row := range table(t, "adjustment_steps.csv") {
		nominal := number(t, row, "nominal_mm")
		s := Settings{Limits: Limits{MinMM: nominal, TargetMM: nominal, AdjustMM: nominal + 0.5, MaxMM: 9},
			Adjuster: Adjuster{Ring: &Ring{Holes: int(number(t, row, "positions")), PitchMM: number(t, row, "pitch_mm")}}}
		p := PlanFor(s, at(number(t, row, "axial_travel_mm"), 0), used(0))
		if want := int(number(t, row, "steps")); p.Steps != want {
			t.Errorf("%d steps, want %d", p.Steps, want)
		}
		near(t, "travel after", p.ExpectedMM, number(t, row, "travel_after_mm"), 1e-9)
	}
}

func TestLiningWearOnACone(t *testing.T) {
	for _, row := range table(t, "cone_geometry.csv") {
		l := Lining{ConeHalfAngleDeg: number(t, row, "half_angle_deg")}
		near(t, "normal wear of 1 mm travel", l.NormalPerTravel(), number(t, row, "normal_mm_for_1mm_axial"), 1e-9)
		near(t, "travel of 0.1 mm lining", 0.1/l.NormalPerTravel(), number(t, row, "axial_mm_for_0.1mm_lining"), 1e-8)
	}
	if got := (Lining{}).NormalPerTravel(); got != 1 {
		t.Errorf("without an angle the face is flat, and yet travel counts %v", got)
	}
}

// Common practice in the trade, no published source: six index holes, one
// adjustment is one hole, a sixth of a turn, and about three make a lining's
// life. A brake that is adjusted at its limit follows that pattern.
func TestThreeAdjustmentsMakeALiningsLife(t *testing.T) {
	s := ringBrake()
	s.Limits = Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.05, MaxMM: 3}
	use, gap := used(0), 1.6
	for i := 1; i <= 3; i++ {
		gap += 0.5
		p := PlanFor(s, at(gap, 0.01), use)
		if p.Action != Adjust || p.Steps != 1 || p.Do != "Turn the brake ring on by one index hole (1/6 turn)." {
			t.Fatalf("adjustment %d: %+v", i, p)
		}
		use.StepsUsed, gap = use.StepsUsed+1, p.ExpectedMM
		if last := p.Note != ""; last != (i == 3) {
			t.Errorf("adjustment %d notes %q", i, p.Note)
		}
	}
	if p := PlanFor(s, at(2.1, 0.01), use); p.Action != Reline {
		t.Errorf("the fourth: %+v", p)
	}
}

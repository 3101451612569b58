package analysis

import (
	"strings"
	"testing"
)

func cyclesAt(gaps ...float64) (list []Cycle) {
	for _, g := range gaps {
		list = append(list, Cycle{Kind: Full, GapMM: g, GapUMM: 0.01})
	}
	return list
}

func around(gapMM float64) []Cycle {
	return cyclesAt(gapMM-0.01, gapMM+0.01, gapMM, gapMM-0.005, gapMM+0.005)
}

func TestAfterTheWork(t *testing.T) {
	ring := PlanFor(ringBrake(), at(2.82, 0.01), used(0))   // two holes, 1.82 expected
	shims := PlanFor(shimBrake(), at(1.82, 0.01), used(0))  // four a pack, 1.02 expected
	screw := PlanFor(screwBrake(), at(0.92, 0.01), used(0)) // five, 0.451 expected
	for _, c := range []struct {
		name    string
		set     Settings
		plan    AdjustPlan
		after   []Cycle
		outcome Outcome
		short   int
		says    string
	}{
		{"as planned", ringBrake(), ring, around(1.83), AsPlanned, 0, "as planned: 1.83 ± 0.02 mm, 1.82 ± 0.02 mm expected"},
		{"one hole short", ringBrake(), ring, around(2.32), OffSteps, 1, "one hole short: travel 0.50 mm over the plan"},
		{"one hole too far", ringBrake(), ring, around(1.32), OffSteps, -1, "one hole too far: travel 0.50 mm under the plan"},
		{"two holes too far", ringBrake(), ring, around(0.82), OffSteps, -2, "2 holes too far: travel 1.00 mm under the plan. The gap of 0.82 ± 0.02 mm is not in its limits: don't return the hoist to service"},
		{"not done at all", ringBrake(), ring, around(2.83), OffSteps, 2, "as if the adjustment had not been made"},
		{"no whole number", ringBrake(), ring, around(2.02), OffPlan, 0, "travel 0.20 mm over the plan, which is no whole number of holes"},
		{"one pack short", shimBrake(), shims, around(1.12), OffShims, 0, "packs unequal? travel 0.10 mm over the plan"},
		{"one pack too far", shimBrake(), shims, around(0.92), OffShims, 0, "packs unequal? travel 0.10 mm under the plan"},
		{"one shim a pack short", shimBrake(), shims, around(1.22), OffSteps, 1, "one shim in each pack short"},
		{"screw", screwBrake(), screw, around(0.51), OffPlan, 0, "travel 0.06 mm over the plan"},
		{"too few", ringBrake(), ring, around(1.82)[:4], Waiting, 0, "4 of 5 full cycles so far"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := CheckAfter(c.set, c.plan, c.after)
			if got.Outcome != c.outcome || got.Short != c.short || !strings.Contains(got.Words, c.says) {
				t.Errorf("%s, %d short: %q\nwant %s, %d: %q", got.Outcome, got.Short, got.Words, c.outcome, c.short, c.says)
			}
		})
	}
}

func TestDoubtfulCyclesDontJudgeTheWork(t *testing.T) {
	plan := PlanFor(ringBrake(), at(2.82, 0.01), used(0))
	after := around(1.82)
	jog := Cycle{Kind: Jog, GapMM: NoValue(), GapUMM: NoValue()}
	bumped := Cycle{Kind: Full, GapMM: 0.5, GapUMM: 0.01, Flags: FlagBumped}
	after = append([]Cycle{jog, bumped, bumped, bumped}, after...)
	if got := CheckAfter(ringBrake(), plan, after); got.Outcome != AsPlanned || got.Cycles != 5 {
		t.Errorf("%+v", got)
	}
	if got := CheckAfter(ringBrake(), plan, cyclesAt(1.82, 1.81, 9, 1.83, 1.82)); got.GapMM != 1.82 {
		t.Errorf("one wild cycle in five moves the gap to %v", got.GapMM)
	}
}

func TestUnloggedStepsAreOffered(t *testing.T) {
	o, ok := OfferFor(ringBrake(), 2.82, 0.01, 1.81, 0.01)
	if !ok || o.Steps != 2 || !strings.Contains(o.Words, "The gap went from 2.82 ± 0.02 mm to 1.81 ± 0.02 mm: that is 2 holes. Was the brake adjusted?") {
		t.Errorf("%+v, %v", o, ok)
	}
	o, ok = OfferFor(ringBrake(), 1.81, 0.01, 2.32, 0.01)
	if !ok || o.Steps != -1 || !strings.Contains(o.Words, "one hole back. Was it turned back, or the lining renewed? If nobody worked on it, the adjuster may have come loose") {
		t.Errorf("%+v, %v", o, ok)
	}
	if o, ok = OfferFor(shimBrake(), 1.82, 0.005, 1.42, 0.005); !ok || o.Steps != 2 || !strings.Contains(o.Words, "2 shims out of each pack") {
		t.Errorf("%+v, %v", o, ok)
	}
	for _, c := range []struct {
		name       string
		set        Settings
		from, u, t float64
	}{
		{"a fraction of a hole", ringBrake(), 2.82, 0.01, 2.6},
		{"nothing", ringBrake(), 2.82, 0.01, 2.81},
		{"too uncertain to tell which", ringBrake(), 2.82, 0.1, 1.82},
		{"no adjuster", Settings{}, 2.82, 0.01, 1.82},
		{"no gap", ringBrake(), NoValue(), 0.01, 1.82},
	} {
		if o, ok := OfferFor(c.set, c.from, c.u, c.t, c.u); ok {
			t.Errorf("%s is offered as %+v", c.name, o)
		}
	}
}

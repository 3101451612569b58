package analysis

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Common practice in the trade, no published source: the creep brake is
// adjusted before the main brake.
func TestCreepBrakeComesFirst(t *testing.T) {
	main, creep := at(2.82, 0.01), at(1.82, 0.01)
	c := PlanChain([]ChainMember{{shimBrake(), creep, used(0)}, {ringBrake(), main, used(0)}})
	if !c.Due || c.State != AdjustDue || len(c.Plans) != 2 || c.Plans[0].Brake != "quay-2/creep" || c.Plans[0].Steps != 4 || c.Plans[1].Steps != 2 {
		t.Errorf("%+v", c)
	}
	if !strings.HasPrefix(c.Order, "quay-2/creep before quay-2/main, in this order: a brake that cannot free stalls its motor") || c.Others != "" || !strings.Contains(c.Test, "without load") {
		t.Errorf("order %q, others %q, test %q", c.Order, c.Others, c.Test)
	}
}

func TestWorkOnOneBringsUpTheOther(t *testing.T) {
	c := PlanChain([]ChainMember{{shimBrake(), at(1.31, 0.01), used(0)}, {ringBrake(), at(3.5, 0.01), used(0)}})
	if c.State != StopUsing || c.Order != "" {
		t.Errorf("%s, order %q", c.State, c.Order)
	}
	if want := "look at quay-2/creep (1.31 ± 0.02 mm, not due; 2 shims out of each pack would bring it to 0.91 ± 0.02 mm) too."; !strings.Contains(c.Others, want) {
		t.Errorf("it says %q, want %q", c.Others, want)
	}
	if c = PlanChain([]ChainMember{{shimBrake(), at(1.02, 0.01), used(0)}, {ringBrake(), at(1.7, 0.01), used(0)}}); c.Due || c.Test != "" || c.Others != "" || c.State != InLimits {
		t.Errorf("nothing is due, and yet %+v", c)
	}
}

func TestChainWithAnUnknownBrakeIsNotProven(t *testing.T) {
	unknown := Verdict{GapMM: NoValue(), GapUMM: NoValue()}
	if c := PlanChain([]ChainMember{{shimBrake(), unknown, used(0)}, {ringBrake(), at(1.7, 0.01), used(0)}}); c.State != Unknown {
		t.Errorf("the chain is %s", c.State)
	}
	if c := PlanChain([]ChainMember{{shimBrake(), unknown, used(0)}, {ringBrake(), at(2.9, 0.01), used(0)}}); c.State != AdjustDue {
		t.Errorf("the chain is %s", c.State)
	}
	if c := PlanChain(nil); c.State != Unknown || c.Due {
		t.Errorf("an empty chain is %+v", c)
	}
}

func TestChainKeepsItsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "brakes")
		var members []ChainMember
		for i := range n {
			s := anySettings().Draw(t, "settings")
			s.Name = string(rune('a' + i))
			members = append(members, ChainMember{s, at(rapid.Float64Range(0.1, 5).Draw(t, "gap"), 0.01), used(0)})
		}
		c := PlanChain(members)
		worst := Unknown
		for i, p := range c.Plans {
			if p.Brake != members[i].Settings.Name {
				t.Fatalf("%s stands at place %d", p.Brake, i)
			}
			alone := PlanFor(members[i].Settings, members[i].Verdict, members[i].Use)
			if alone.Steps != p.Steps || alone.Action != p.Action || alone.Reason != p.Reason {
				t.Fatalf("in the chain %+v, alone %+v", p, alone)
			}
			worst = max(worst, p.State)
		}
		if len(c.Plans) != n || c.State != worst {
			t.Fatalf("%d plans of %d brakes, %s for %s", len(c.Plans), n, c.State, worst)
		}
	})
}

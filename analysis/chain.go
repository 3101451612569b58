package analysis

import "strings"

// ChainMember is one brake of a holding chain with what its plan rests on.
type ChainMember struct {
	Settings Settings
	Verdict  Verdict
	Use      LiningUse
}

// ChainPlan is the work on the brakes of a holding chain, in the order in which
// it is done.
type ChainPlan struct {
	State  State        // of the chain: the worst of its brakes'
	Due    bool         // one of its brakes is due
	Plans  []AdjustPlan // of every brake, in the order of the chain
	Order  string       // why in this order; empty where fewer than two brakes have work
	Others string       // what is to be said of the brakes that aren't due; empty where there are none, or nothing is due
	Test   string       // what comes after the work; empty where there is none
}

// orderReason is why the chain's order is kept. Common practice in the trade,
// without a published source, where it was learned with a creep brake before a
// main one.
const orderReason = "in this order: a brake that cannot free stalls its motor against itself when the next one is tried, as a creep brake does while the main brake is; only when it is right does a trial of the next tell anything."

// testAfter is what follows an adjustment.
const testAfter = "Then test before return to service: first without load, watching both brakes free and set for five full cycles, then with load as the hoist maker's instructions and local rules require."

// PlanChain plans the work on the brakes of a holding chain. The order is the
// members': it is never changed for urgency, since a brake further down can't
// be tried while one before it is wrong.
func PlanChain(members []ChainMember) ChainPlan {
	var c ChainPlan
	states := make([]State, 0, len(members))
	var work, idle []string
	for _, m := range members {
		p := PlanFor(m.Settings, m.Verdict, m.Use)
		states = append(states, p.State)
		c.Due = c.Due || p.Due
		if p.Due || p.Action == Reline {
			work = append(work, p.Brake)
		} else {
			idle = append(idle, p.Brake+" ("+standing(p)+")")
		}
		c.Plans = append(c.Plans, p)
	}
	c.State = worst(states)
	if len(work) == 0 {
		return c
	}
	c.Test = testAfter
	if len(work) > 1 {
		c.Order = strings.Join(work, " before ") + ", " + orderReason
	}
	if len(idle) > 0 {
		c.Others = "The load hangs on all of these brakes one after the other. While the hoist is out of use, look at " + strings.Join(idle, " and ") + " too."
	}
	return c
}

// standing is where a brake stands that has no work due, in a few words.
func standing(p AdjustPlan) string {
	switch {
	case !Has(p.GapMM):
		return "no gap measured yet"
	case p.Action == Adjust:
		return PlusMinus(p.GapMM, p.GapUMM) + ", not due; " + p.Step.Signed(p.Steps) + " would bring it to " + PlusMinus(p.ExpectedMM, p.ExpectedUMM)
	}
	return PlusMinus(p.GapMM, p.GapUMM) + ", not due"
}

// worst is the state of brakes that hold one load in series. A brake of which
// nothing is known keeps the chain from being proven in limits.
func worst(states []State) State {
	w, unknown := Unknown, len(states) == 0
	for _, s := range states {
		w = max(w, s)
		unknown = unknown || s == Unknown
	}
	if unknown && w <= InLimits {
		return Unknown
	}
	return w
}

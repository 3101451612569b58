package analysis

import (
	"fmt"
	"math"
)

// Action is what an adjust plan comes to.
type Action uint8

// The actions.
const (
	Unplanned Action = iota // no plan can be made; the reason says why
	Leave                   // the gap is as near the target as whole steps bring it
	Adjust                  // so many steps
	Reline                  // no adjusting helps any more: a new lining, and the adjuster back
)

var actionNames = [...]string{"unplanned", "leave", "adjust", "reline"}

func (a Action) String() string { return actionNames[a] }

// AdjustPlan is what to do at a brake's adjuster, and what should come of it.
type AdjustPlan struct {
	Brake string
	AtNS  int64 // of the verdict that it rests on
	State State // of the brake before
	Due   bool  // the brake is out of its limits, or that can't be excluded

	Action Action
	Step   Step
	Steps  int    // above zero closes the gap, below opens it; 0 unless Action is Adjust
	Do     string // the work in a sentence; empty where there is none
	Reason string // why there is nothing to do, or no plan
	Note   string // what should be known beside the plan; often empty

	GapMM, GapUMM           float64 // before, with its standard uncertainty
	ExpectedMM, ExpectedUMM float64 // after; NaN where nothing is to be done
	Before, After           Budget
}

// exact is how far a comparison of lengths in mm may be off by the arithmetic.
const exact = 1e-9

// PlanFor is the whole number of steps that brings a brake's gap nearest to the
// target, of those that
//
//   - leave it at or above min + U, where U = 2u is the gap's expanded
//     uncertainty: an adjustment must not make the brake drag,
//   - take it below adjust with the guard band of the verdict: an adjustment
//     that leaves the brake due is none,
//   - the lining's budget has. Back can only be turned what the ledger has as
//     turned on: a gap too narrow for another reason wants looking at.
//
// Of two equally near it takes the fewer steps. A step is taken to be exact:
// the gap after has the uncertainty of the gap before.
func PlanFor(s Settings, v Verdict, use LiningUse) AdjustPlan {
	p := AdjustPlan{Brake: s.Name, AtNS: v.AtNS, State: v.State, GapMM: v.GapMM, GapUMM: v.GapUMM, ExpectedMM: NoValue(), ExpectedUMM: NoValue()}
	p.Before = BudgetOf(s, v.GapMM, v.GapUMM, use)
	p.After = p.Before
	if !Has(v.GapMM) {
		p.Reason = "no gap has been measured yet"
		return p
	}
	if !Has(v.GapUMM) {
		p.Reason = fmt.Sprintf("the gap of %s mm has no known uncertainty yet", plainMM(v.GapMM))
		return p
	}
	p.State = s.Limits.judge(v.GapMM, v.GapUMM)
	p.Due = p.State != InLimits
	if p.Before.spent() {
		p.Action = Reline
		p.Reason = fmt.Sprintf("the lining is down to %s of at least %s mm: fit a new lining%s",
			PlusMinus(p.Before.ThicknessMM, p.Before.U), shortMM(s.Lining.MinimumMM), afterwards(s.Adjuster))
		return p
	}
	var ok bool
	if p.Step, ok = s.Adjuster.Step(); !ok {
		p.Reason = "the site file doesn't say how this brake is adjusted"
		return p
	}
	fit := fitOf(s, v.GapMM, v.GapUMM, p.Step)
	least, most := -max(use.StepsUsed, 0), math.MaxInt32
	if p.Before.limited() {
		most = p.Before.StepsLeft
	}
	lo, hi := max(fit.least, least), min(fit.most, most)
	if lo > hi {
		if !p.Due { // it stands where it may stay, though nobody would adjust it there
			p.leave(s, fit, 0, most)
			return p
		}
		p.refuse(s, fit, least, most)
		return p
	}
	n := max(lo, min(fit.nearest, hi))
	if n == 0 {
		p.leave(s, fit, n, most)
		return p
	}
	p.Action, p.Steps, p.Do = Adjust, n, p.Step.Instruction(n)
	p.ExpectedMM, p.ExpectedUMM = v.GapMM-float64(n)*p.Step.MM, v.GapUMM
	use.StepsUsed += n
	p.After = BudgetOf(s, p.ExpectedMM, p.ExpectedUMM, use)
	p.Note = p.note(s, fit, n, most, p.ExpectedMM)
	return p
}

// leave makes it a plan to do nothing.
func (p *AdjustPlan) leave(s Settings, f fit, n, most int) {
	p.Action = Leave
	p.Note = p.note(s, f, n, most, p.GapMM)
	if f.nearest == 0 {
		p.Reason = fmt.Sprintf("the gap of %s is as near the target of %s mm as %s at a time can bring it",
			PlusMinus(p.GapMM, p.GapUMM), shortMM(s.Limits.TargetMM), p.Step.Count(1))
		return
	}
	p.Reason = fmt.Sprintf("the gap of %s is in its limits, and no number of steps would bring it nearer the target of %s mm and leave it in them",
		PlusMinus(p.GapMM, p.GapUMM), shortMM(s.Limits.TargetMM))
}

// fit is which numbers of steps serve, the budget left aside.
type fit struct {
	least, most int // fewer leave the gap due, more leave it under min + U
	nearest     int // to the target, of all numbers
}

func fitOf(s Settings, gapMM, u float64, step Step) fit {
	l := s.Limits
	return fit{
		least:   whole(math.Floor((gapMM+GuardFactor*u-l.AdjustMM)/step.MM+exact) + 1),
		most:    whole(math.Floor((gapMM-2*u-l.MinMM)/step.MM + exact)),
		nearest: whole(math.Ceil((gapMM-l.TargetMM)/step.MM - 0.5 - exact)),
	}
}

// whole makes an integer of a number of steps, however wild the figures are.
func whole(v float64) int { return int(math.Max(-1e6, math.Min(v, 1e6))) }

// refuse says why no number of steps will do, and what then.
func (p *AdjustPlan) refuse(s Settings, f fit, least, most int) {
	l := s.Limits
	left := func(n int) string {
		return fmt.Sprintf("%s would leave %s", p.Step.Count(n), PlusMinus(p.GapMM-float64(n)*p.Step.MM, p.GapUMM))
	}
	reline := "fit a new lining" + afterwards(s.Adjuster)
	none := "the lining has " + p.Step.Remaining(0) + " left"
	switch {
	case f.most < 0 && f.most < least: // too narrow
		p.Reason = fmt.Sprintf("the gap of %s may be under the %s mm minimum, and by the ledger nothing was turned on that could be turned back so far: have the brake looked at before it is used",
			PlusMinus(p.GapMM, p.GapUMM), shortMM(l.MinMM))
	case f.least > f.most:
		n := max(f.least, 1)
		if f.most < 0 {
			n = f.most // the way back, which leads out of the limits on the other side
			p.Reason = fmt.Sprintf("%s would leave %s, which is due at the %s mm limit: have the brake looked at before it is used", p.Step.back(n), PlusMinus(p.GapMM-float64(n)*p.Step.MM, p.GapUMM), shortMM(l.AdjustMM))
			return
		}
		under := "which may be under"
		if p.GapMM-float64(n)*p.Step.MM < l.MinMM {
			under = "under"
		}
		p.Reason = fmt.Sprintf("%s, %s the %s mm minimum", left(n), under, shortMM(l.MinMM))
		switch exactly := fitOf(s, p.GapMM, 0, p.Step); {
		case exactly.least <= min(exactly.most, most):
			p.Reason += fmt.Sprintf("; a gap known better than to ± %s mm could be planned for: measure it again", plainMM(2*p.GapUMM))
		case n > most:
			p.Action = Reline
			p.Reason += "; the lining has " + p.Step.Remaining(most) + " left: " + reline
		default:
			p.Reason += ", and fewer would leave it due: ask the hoist maker, and check the adjuster and the limits in the site file"
		}
	case most <= 0:
		p.Action = Reline
		p.Reason = fmt.Sprintf("%s, but %s: %s", left(f.least), none, reline)
	default:
		p.Action = Reline
		p.Reason = fmt.Sprintf("the %s left would leave %s, still due at the %s mm limit: %s",
			p.Step.Remaining(most), PlusMinus(p.GapMM-float64(most)*p.Step.MM, p.GapUMM), shortMM(l.AdjustMM), reline)
	}
}

// note says what kept the plan from coming nearer to the target, and when the
// lining will need renewing before it needs adjusting.
func (p *AdjustPlan) note(s Settings, f fit, n, most int, gapMM float64) string {
	switch {
	case n < f.nearest && n == most:
		return fmt.Sprintf("%s would come nearer to the target, but the lining has %s left: get a new lining ready", p.Step.Count(f.nearest), p.Step.Remaining(most))
	case n < f.nearest && n == f.most:
		return fmt.Sprintf("%s would leave %s, which may be under the %s mm minimum",
			p.Step.Count(n+1), PlusMinus(p.GapMM-float64(n+1)*p.Step.MM, p.GapUMM), shortMM(s.Limits.MinMM))
	}
	if at := p.After.minimumAtGap(gapMM, s.Lining); Has(at) && at < s.Limits.AdjustMM {
		return fmt.Sprintf("the lining will be at its minimum of %s mm at a gap of %s mm, before the next adjustment is due: get a new lining ready", shortMM(s.Lining.MinimumMM), plainMM(at))
	}
	if n > 0 && p.After.limited() && p.After.StepsLeft == 0 {
		return "this uses the last of the lining's adjustment: get a new lining ready"
	}
	return ""
}

// afterwards is what happens to the adjuster with a new lining.
func afterwards(a Adjuster) string {
	switch {
	case a.Ring != nil:
		return ", ring back"
	case a.Shims != nil && a.Shims.Fitted > 0 && a.Shims.Packs > 1:
		return fmt.Sprintf(", %d shims in each pack again", a.Shims.Fitted)
	case a.Shims != nil:
		return ", shims in again"
	case a.Screw != nil:
		return ", screw back"
	}
	return ""
}

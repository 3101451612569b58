package analysis

import (
	"fmt"
	"math"
	"slices"
)

// checkedCycles is how many full cycles after an adjustment are looked at.
const checkedCycles = 5

// Outcome is how an adjustment turned out.
type Outcome uint8

// The outcomes.
const (
	Waiting   Outcome = iota // fewer than five full cycles so far
	AsPlanned                // the gap agrees with the plan within U
	OffSteps                 // off by a whole number of steps
	OffShims                 // off by shims of one pack: the packs are unequal
	OffPlan                  // off by something else
)

var outcomeNames = [...]string{"waiting", "as-planned", "off-by-steps", "packs-unequal", "off-plan"}

func (o Outcome) String() string { return outcomeNames[o] }

// AfterCheck compares an adjustment's result with its plan.
type AfterCheck struct {
	Outcome Outcome
	Cycles  int     // full cycles looked at
	GapMM   float64 // their median; NaN while waiting
	GapUMM  float64
	OffMM   float64 // gap less the one expected
	UMM     float64 // standard uncertainty of OffMM
	Short   int     // steps that seem to be missing; below zero: too many were taken
	State   State   // of the gap against its limits
	Words   string  // what it looks like
}

// CheckAfter compares the first full cycles after an adjustment with the plan.
// Cycles with a doubt about their gap don't count. The plan must be one to
// adjust.
//
// The two agree where they differ by no more than U = 2u, with u from both the
// gap before and the gap after. The calibration is in both: that it cancels in
// part is not counted on, since its error may be one of scale.
func CheckAfter(s Settings, p AdjustPlan, after []Cycle) AfterCheck {
	c := AfterCheck{GapMM: NoValue(), GapUMM: NoValue(), OffMM: NoValue(), UMM: NoValue()}
	var gaps, us []float64
	for _, cy := range after {
		if !soundGap(cy) {
			continue
		}
		if gaps = append(gaps, cy.GapMM); Has(cy.GapUMM) {
			us = append(us, cy.GapUMM)
		}
		if len(gaps) == checkedCycles {
			break
		}
	}
	c.Cycles = len(gaps)
	if c.Cycles < checkedCycles {
		c.Words = fmt.Sprintf("%d of %d full cycles so far", c.Cycles, checkedCycles)
		return c
	}
	c.GapMM, c.GapUMM = medianOf(gaps), combined(uOfMedian(gaps, us), s.Travel.CalibrationU)
	c.OffMM = c.GapMM - p.ExpectedMM
	c.UMM = combined(c.GapUMM, p.ExpectedUMM)
	c.State = s.Limits.judge(c.GapMM, c.GapUMM)
	c.judge(s, p)
	if c.Outcome != AsPlanned && c.State != InLimits {
		c.Words += fmt.Sprintf(". The gap of %s is not in its limits: don't return the hoist to service", PlusMinus(c.GapMM, c.GapUMM))
	}
	return c
}

// judge says what the difference looks like.
func (c *AfterCheck) judge(s Settings, p AdjustPlan) {
	U := 2*c.UMM + exact
	off := math.Abs(c.OffMM)
	over := "over"
	if c.OffMM < 0 {
		over = "under"
	}
	if off <= U {
		c.Outcome = AsPlanned
		c.Words = fmt.Sprintf("as planned: %s, %s expected", PlusMinus(c.GapMM, c.GapUMM), PlusMinus(p.ExpectedMM, p.ExpectedUMM))
		return
	}
	if n, ok := wholeSteps(c.OffMM, c.UMM, p.Step.MM); ok {
		c.Outcome, c.Short = OffSteps, n
		switch {
		case n == p.Steps:
			c.Words = "the gap is what it was: as if the adjustment had not been made"
		case n > 0:
			c.Words = p.Step.Remaining(n) + " short"
		default:
			c.Words = p.Step.Remaining(-n) + " too far"
		}
		c.Words += fmt.Sprintf(": travel %s mm %s the plan", plainMM(off), over)
		return
	}
	if sh := s.Adjuster.Shims; sh != nil && sh.Packs > 1 {
		if _, ok := wholeSteps(c.OffMM, c.UMM, sh.ThicknessMM); ok {
			c.Outcome = OffShims
			c.Words = fmt.Sprintf("packs unequal? travel %s mm %s the plan", plainMM(off), over)
			return
		}
	}
	c.Outcome = OffPlan
	c.Words = fmt.Sprintf("travel %s mm %s the plan, which is no whole number of %s: look at the adjuster and the probe", plainMM(off), over, p.Step.Remaining(0)[len("no "):])
}

// wholeSteps is the number of steps that a length is, other than none. It is
// told only where the uncertainty leaves no doubt which: a band of U that holds
// one such number, and is too narrow to hold one anywhere.
func wholeSteps(mm, u, stepMM float64) (n int, ok bool) {
	if !(stepMM > 0) || !(2*u < stepMM/2) {
		return 0, false
	}
	n = whole(math.Round(mm / stepMM))
	return n, n != 0 && math.Abs(mm-float64(n)*stepMM) <= 2*u+exact
}

// medianOf leaves its argument as it is.
func medianOf(v []float64) float64 { return medianInPlace(slices.Clone(v)) }

// uOfMedian is the standard uncertainty of the median of a few gaps: from their
// own uncertainties or from their scatter, whichever says more. A normal
// median scatters √(π/2) times as much as the mean.
func uOfMedian(gaps, us []float64) float64 {
	n := float64(len(gaps))
	var own float64
	for _, u := range us {
		own += u * u / float64(len(us))
	}
	var m, sum float64
	for _, g := range gaps {
		m += g / n
	}
	for _, g := range gaps {
		sum += (g - m) * (g - m)
	}
	return math.Sqrt(math.Pi / 2 * math.Max(own, sum/(n-1)) / n)
}

// StepOffer is an adjustment that nobody entered, to be confirmed or denied.
type StepOffer struct {
	Steps  int // above zero closed the gap
	FromMM float64
	ToMM   float64
	Words  string
}

// OfferFor looks whether a sudden change of the gap, from one value with
// standard uncertainty to another, is a whole number of the adjuster's steps:
// then it may be an adjustment that was made and not entered. ok is false where
// it is none, or where the uncertainty leaves that open.
func OfferFor(s Settings, fromMM, fromU, toMM, toU float64) (o StepOffer, ok bool) {
	step, known := s.Adjuster.Step()
	u := combined(fromU, toU)
	if !known || !Has(fromMM) || !Has(toMM) || !Has(u) {
		return StepOffer{}, false
	}
	n, ok := wholeSteps(fromMM-toMM, u, step.MM)
	if !ok {
		return StepOffer{}, false
	}
	o = StepOffer{Steps: n, FromMM: fromMM, ToMM: toMM}
	o.Words = fmt.Sprintf("The gap went from %s to %s: that is %s.", PlusMinus(fromMM, fromU), PlusMinus(toMM, toU), step.Signed(n))
	if n > 0 {
		o.Words += " Was the brake adjusted? Enter who did it and when."
	} else {
		o.Words += " Was it turned back, or the lining renewed? If nobody worked on it, the adjuster may have come loose: have it looked at before the hoist is used on."
	}
	return o, true
}

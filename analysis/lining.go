package analysis

import "math"

// LiningUse is what has been done to a brake since its lining was fitted, as
// the ledger has it: see [UseOf].
type LiningUse struct {
	Known       bool    // the ledger has the fitting of the lining
	FittedNS    int64   // when it was fitted
	StepsUsed   int     // adjusting steps since, those turned back taken off
	ThicknessMM float64 // when fitted, normal to its face; NaN: as in the site file
	GapMM       float64 // when fitted; NaN: taken to be the target
}

// Budget is what a lining has left. Adjusting uses up steps; wear uses up
// thickness.
type Budget struct {
	StepsTotal  int     // that one lining lasts; 0 where that is not limited or not known
	StepsUsed   int     //
	StepsLeft   int     // never below 0; of no meaning where StepsTotal is 0
	ThicknessMM float64 // left, normal to the face; NaN where the site file doesn't say what a new one has
	U           float64 // standard uncertainty of ThicknessMM
	ToMinimumMM float64 // ThicknessMM less the minimum
}

// limited reports whether the steps are counted.
func (b Budget) limited() bool { return b.StepsTotal > 0 }

// NormalPerTravel is how much of the lining, normal to its face, one mm of
// travel stands for: sin(half-angle) on a cone. Without an angle the face is
// flat, square to the travel, and the two are the same. All growth of the gap
// is put down to this lining, also where two faces share it: the budget may
// then be too cautious, never too large.
func (l Lining) NormalPerTravel() float64 {
	if l.ConeHalfAngleDeg == 0 {
		return 1
	}
	return math.Sin(l.ConeHalfAngleDeg * math.Pi / 180)
}

// steps is how many adjusting steps one lining lasts, 0 where that isn't said.
func (a Adjuster) steps() int {
	switch {
	case a.Ring != nil:
		return a.Ring.Uses
	case a.Shims != nil:
		return a.Shims.Fitted
	}
	return 0
}

// BudgetOf is what the lining has left at a gap with standard uncertainty u.
//
// What the steps took off the gap and what the gap has grown nevertheless is
// how far the lining has worn, along the travel. A gap unknown at the time of
// fitting is taken to have been the target.
func BudgetOf(s Settings, gapMM, u float64, use LiningUse) Budget {
	b := Budget{StepsTotal: s.Adjuster.steps(), StepsUsed: use.StepsUsed, ThicknessMM: NoValue(), U: NoValue(), ToMinimumMM: NoValue()}
	b.StepsLeft = max(b.StepsTotal-use.StepsUsed, 0)
	fitted := use.ThicknessMM
	if !(fitted > 0) {
		fitted = s.Lining.ThicknessMM
	}
	if !(fitted > 0) || !Has(gapMM) {
		return b
	}
	from := use.GapMM
	if !(from > 0) {
		from = s.Limits.TargetMM
	}
	step, _ := s.Adjuster.Step()
	worn := gapMM - from + float64(use.StepsUsed)*step.MM
	b.ThicknessMM = math.Min(fitted-worn*s.Lining.NormalPerTravel(), fitted)
	b.U = u * s.Lining.NormalPerTravel()
	b.ToMinimumMM = b.ThicknessMM - s.Lining.MinimumMM
	return b
}

// spent reports whether the lining can't be proven to be above its minimum.
func (b Budget) spent() bool {
	if !Has(b.ToMinimumMM) {
		return false
	}
	u := b.U
	if !Has(u) {
		u = 0
	}
	return b.ToMinimumMM-GuardFactor*u <= 0
}

// minimumAtGap is the gap at which the lining will be at its minimum if nobody
// adjusts any more; NaN where the thickness isn't known.
func (b Budget) minimumAtGap(gapMM float64, l Lining) float64 {
	return gapMM + b.ToMinimumMM/l.NormalPerTravel()
}

package analysis

import "math"

// LiningForecast is the name of the forecast for the gap at which the lining has
// nothing left; see [Budget.endsAtGap].
const LiningForecast = "lining"

// endsAtGap is the gap that would be reached when the lining has nothing left
// if nobody adjusted any more: adjusting takes off the gap and not off the
// wear, so that the way to it is the same. It is where the thickness comes to
// its minimum, or where the last step is used up and the brake is due once
// more, whichever comes first; NaN where neither is known.
func (b Budget) endsAtGap(s Settings, gapMM float64) float64 {
	at := NoValue()
	if Has(b.ToMinimumMM) {
		at = b.minimumAtGap(gapMM, s.Lining)
	}
	if step, ok := s.Adjuster.Step(); ok && b.limited() {
		last := s.Limits.AdjustMM + float64(b.StepsLeft)*step.MM
		if !Has(at) || last < at {
			at = last
		}
	}
	return at
}

// liningOutlook forecasts when the lining must be renewed, and looks whether it
// is spent. What the ledger has of the lining must have been told.
func (b *Brake) liningOutlook(cycleNS, nowNS int64, out *Out) {
	v := &b.verdict
	if !b.ledgered || !Has(v.GapMM) {
		return
	}
	budget := BudgetOf(b.set, v.GapMM, v.GapUMM, b.use)
	at := budget.endsAtGap(b.set, v.GapMM)
	if !Has(at) {
		return
	}
	b.liningFinding(budget, nowNS, out)
	if f := b.forecastOf(LiningForecast, at, cycleNS); b.latestLining.materially(f) {
		b.latestLining = f
		out.Forecasts = append(out.Forecasts, f)
	}
}

// liningFinding looks whether the lining is spent: its thickness can't be proven
// to be above the minimum, or the brake is due and no step is left.
func (b *Brake) liningFinding(budget Budget, nowNS int64, out *Out) {
	v := &b.verdict
	f := Finding{AtNS: nowNS, Condition: LiningSpent, Excess: math.Inf(-1), Value: NoValue(), U: NoValue(), Limit: NoValue(), Unit: "mm"}
	if Has(budget.ToMinimumMM) {
		f.Excess = GuardFactor*budget.U - budget.ToMinimumMM
		f.Value, f.U, f.Limit = budget.ThicknessMM, budget.U, b.set.Lining.MinimumMM
	}
	if over := v.GapMM + GuardFactor*v.GapUMM - b.set.Limits.AdjustMM; budget.limited() && budget.StepsLeft == 0 && over > f.Excess {
		f.Excess, f.Value, f.U, f.Limit = over, v.GapMM, v.GapUMM, b.set.Limits.AdjustMM
	}
	if !math.IsInf(f.Excess, -1) {
		out.Findings = append(out.Findings, f)
	}
}

// Order is a part to be ordered for a new lining.
type Order struct {
	Part    Part
	ByNS    float64 // order it by then: one in twenty that it would come too late; NaN where no date is known
	Overdue bool    // ByNS has passed
}

// Orders are the parts that a new lining needs, and by when they must be ordered
// so that they are there when the lining must be renewed. A date with even odds
// would leave the crane standing every other time.
func Orders(l Lining, relining Forecast, nowNS int64) []Order {
	orders := make([]Order, 0, len(l.Parts))
	for _, p := range l.Parts {
		o := Order{Part: p, ByNS: relining.DateNS.P05 - float64(p.LeadDays)*float64(dayNS)}
		o.Overdue = o.ByNS <= float64(nowNS)
		orders = append(orders, o)
	}
	return orders
}

package figures

import "gapward/analysis"

// AddLedger has a plot of a gap show what people did to the brake, and what they
// read, by the entries of its ledger that stand.
func (h *GapHistory) AddLedger(entries []analysis.Entry) {
	until := h.Until.UnixNano()
	for _, e := range analysis.Standing(entries) {
		switch {
		case e.AtNS < h.FromNS || e.AtNS > until:
		case e.Kind == analysis.Adjustment:
			h.Works = append(h.Works, WorkMark{AtNS: e.AtNS, Word: "adjusted"})
		case e.Kind == analysis.LiningFitted:
			h.Works = append(h.Works, WorkMark{AtNS: e.AtNS, Word: "new lining"})
		case e.Kind == analysis.Reading:
			h.ByHand = append(h.ByHand, HandPoint{AtNS: e.AtNS, MM: e.GapMM, UMM: e.GapUMM})
		}
	}
}

// Foresee has a plot of a gap show the way to the limit that comes next: to the
// maximum, where adjusting is due already. A forecast that isn't there is nil.
func (h *GapHistory) Foresee(adjust, most *analysis.Forecast) {
	for _, f := range []*analysis.Forecast{adjust, most} {
		if f != nil && !h.Foretold {
			h.Forecast, h.Foretold = *f, f.LimitMM > f.GapMM
		}
	}
}

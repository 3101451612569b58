package report

import (
	"context"
	"math"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// plots draws the gap over the span, and the travel of the latest cycle.
func (m *maker) plots(ctx context.Context, r *BrakeRecord, rows []store.LedgerRow) error {
	points, err := m.Data.Thinned(ctx, r.Name, m.From.UnixNano(), m.To.UnixNano(), plotPoints)
	if err != nil {
		return err
	}
	for _, p := range points {
		r.Gaps = append(r.Gaps, GapRecord{rfcNS(p.AtNS), number(p.MeanMM), number(p.MinMM), number(p.MaxMM), p.Count})
	}
	h := figures.GapHistory{Brake: r.Name, Limits: r.settings.Limits, Points: points, FromNS: m.From.UnixNano(), Until: m.To.In(m.Now.Location())}
	h.AddLedger(store.Entries(rows))
	// By hand alone, what was thought of the gap between readings may lie far off
	// them.
	if len(points) > 0 {
		if h.Filtered, err = m.Data.Filtered(ctx, r.Name, m.From.UnixNano(), m.To.UnixNano(), plotPoints); err != nil {
			return err
		}
	}
	// A forecast belongs to the plot only where the span reaches to it.
	if !m.To.Before(m.Now.Add(-24 * time.Hour)) {
		h.Foresee(r.adjust, r.most)
	}
	if len(points)+len(h.ByHand) > 0 {
		if r.gapPlot, err = figures.GapCurve(h, figures.Narrow()); err != nil {
			return err
		}
	}
	wave, has, err := m.Data.Waveform(ctx, r.Name)
	if err != nil || !has || len(wave.TimesNS) == 0 || !m.within(wave.CycleAtNS) {
		return err
	}
	none := math.NaN()
	c := analysis.Cycle{SetLevelMM: none, ReleasedLevelMM: none, ReleaseS: none, SetS: none}
	cycles, err := m.Data.Cycles(ctx, r.Name, wave.CycleAtNS, wave.CycleAtNS+1, 1)
	if err != nil {
		return err
	}
	if len(cycles) > 0 {
		c, r.cycle = cycles[0].Cycle, &cycles[0].Cycle
	}
	r.cyclePlot, err = figures.CycleCurve(r.Name, wave.Waveform, c, figures.Narrow())
	return err
}

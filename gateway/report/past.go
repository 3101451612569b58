package report

import (
	"context"
	"slices"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// within reports whether a time lies in the record's span.
func (m *maker) within(ns int64) bool { return ns >= m.From.UnixNano() && ns < m.To.UnixNano() }

// ledger fills in what was done and read by hand in the span.
func (m *maker) ledger(ctx context.Context, r *BrakeRecord, rows []store.LedgerRow) error {
	for _, b := range Bodies(rows) {
		if at, err := time.Parse(time.RFC3339Nano, b.Time); err == nil && m.within(at.UnixNano()) {
			r.Ledger = append(r.Ledger, b)
		}
	}
	entries := store.Entries(rows)
	retest := analysis.RetestOf(entries)
	r.Retest, r.RetestDue = retest.Words, retest.Needed
	if err := m.readings(ctx, r, analysis.Standing(entries)); err != nil {
		return err
	}
	checks, err := m.Data.WorkChecks(ctx, r.Name)
	if err != nil {
		return err
	}
	for _, c := range slices.Backward(checks) { // the newest came first
		i := slices.IndexFunc(entries, func(e analysis.Entry) bool { return e.ID == c.Entry })
		if i < 0 || !m.within(entries[i].AtNS) {
			continue
		}
		r.Works = append(r.Works, WorkRecord{Entry: c.Entry, Time: rfcNS(entries[i].AtNS), Outcome: c.Outcome.String(),
			GapMM: number(c.GapMM), GapUMM: number(c.GapUMM), OffMM: number(c.OffMM), Words: c.Words})
	}
	offers, err := m.Data.Offers(ctx, r.Name)
	if err != nil {
		return err
	}
	for _, o := range offers {
		r.Offer, r.OfferedAt, r.OfferedSteps = o.Words, rfcNS(o.AtNS), o.Steps
	}
	return nil
}

// readings sets the hand readings of the span beside the probe's gap.
func (m *maker) readings(ctx context.Context, r *BrakeRecord, standing []analysis.Entry) error {
	compared, err := Comparisons(ctx, m.Data, r.settings, standing)
	if err != nil {
		return err
	}
	var kept []analysis.Compared
	for _, e := range standing {
		if e.Kind != analysis.Reading || !m.within(e.AtNS) {
			continue
		}
		one := ReadingRecord{Entry: e.ID, Time: rfcNS(e.AtNS), Who: e.Who, GapMM: number(e.GapMM), UMM: number(e.GapUMM),
			TypeAMM: number(e.UAMM), TypeBMM: number(e.UBMM), Repeats: e.Repeats}
		if c, ok := compared[e.ID]; ok {
			kept = append(kept, c)
			one.ProbeMM, one.ProbeUMM = number(c.ProbeMM), number(c.ProbeU)
			one.OffMM, one.OffUMM, one.Agrees = number(c.OffMM), number(c.UMM), &c.Agrees
			one.Words = c.Words()
		}
		r.Readings = append(r.Readings, one)
	}
	if b := analysis.BiasOf(kept); b.Readings > 0 {
		r.Bias = &BiasRecord{Readings: b.Readings, MM: number(b.MM), UMM: number(b.UMM),
			PerYearMM: number(b.PerYearMM), PerYearUMM: number(b.PerYearUMM), Words: b.Words()}
	}
	return nil
}

// nearReading is how far from a reading the probe's cycles may lie.
const nearReading = 7 * 24 * time.Hour

// Comparisons sets the hand readings among a brake's standing entries beside the
// probe's gap around each, by the readings' ids: the latest cycles before it
// since the work that came before; or where there are none such the first after
// it. A reading that has no probe's gap near it is left out.
func Comparisons(ctx context.Context, data interface {
	Cycles(ctx context.Context, brake string, fromNS, toNS int64, limit int) ([]store.CycleRow, error)
}, s analysis.Settings, standing []analysis.Entry) (map[int64]analysis.Compared, error) {
	found := map[int64]analysis.Compared{}
	work := func(e analysis.Entry) bool { return e.Kind == analysis.Adjustment || e.Kind == analysis.LiningFitted }
	for i, e := range standing {
		if e.Kind != analysis.Reading {
			continue
		}
		from, to := e.AtNS-int64(nearReading), e.AtNS+int64(nearReading)
		for k, other := range standing {
			switch {
			case !work(other):
			case k < i:
				from = max(from, other.AtNS)
			default:
				to = min(to, other.AtNS)
			}
		}
		before, err := data.Cycles(ctx, s.Name, from, e.AtNS, analysis.ComparedCycles)
		if err != nil {
			return nil, err
		}
		c, ok := analysis.CompareAt(s, e, cyclesOf(before))
		if !ok {
			after, err := data.Cycles(ctx, s.Name, e.AtNS, min(to, e.AtNS+int64(24*time.Hour)), 0)
			if err != nil {
				return nil, err
			}
			c, ok = analysis.CompareAt(s, e, cyclesOf(after[:min(len(after), analysis.ComparedCycles)]))
		}
		if ok {
			found[e.ID] = c
		}
	}
	return found, nil
}

func cyclesOf(rows []store.CycleRow) []analysis.Cycle {
	list := make([]analysis.Cycle, len(rows))
	for i, r := range rows {
		list[i] = r.Cycle
	}
	return list
}

package report

import (
	"context"
	"math"
	"slices"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
)

// duty counts how the brake was used. Cycles are read day by day, so that a long
// span needs no more memory than a short one.
func (m *maker) duty(ctx context.Context, r *BrakeRecord) error {
	days, err := m.Data.DailyCounts(ctx, r.Name, m.From.UnixNano(), m.To.UnixNano()-1)
	if err != nil {
		return err
	}
	var count analysis.DutyCount
	var release, set []float64
	doubts := map[string]int{}
	d := &r.Duty
	for _, day := range days {
		from, to := max(day.DayNS, m.From.UnixNano()), min(day.DayNS+int64(24*time.Hour), m.To.UnixNano())
		rows, err := m.Data.Cycles(ctx, r.Name, from, to, 0)
		if err != nil {
			return err
		}
		whole := from == day.DayNS && to == day.DayNS+int64(24*time.Hour)
		var full, jogs int64
		for _, c := range rows {
			if c.Kind == analysis.Full {
				full++
			} else {
				jogs++
			}
			count.Add(analysis.Run{OnNS: c.AtNS, OffNS: c.AtNS + c.OnNS}, c.Kind == analysis.Jog)
			if figures.Finite(c.ReleaseS) {
				release = append(release, c.ReleaseS*1e3)
			}
			if figures.Finite(c.SetS) {
				set = append(set, c.SetS*1e3)
			}
			for _, name := range c.Flags.Names() {
				doubts[name]++
			}
		}
		if whole { // also where its cycles are rolled up
			full, jogs = day.Full, day.Jogs
		}
		if full+jogs > 0 {
			d.DaysInUse++
		}
		d.Full += full
		d.Jogs += jogs
	}
	d.Measured = count.Starts
	if count.Starts > 0 {
		d.MostPerHour, d.MeanPerHour = count.MostStarts, number(count.PerHourInUse())
		d.FactorMost, d.OnHours, d.LongestS = number(count.MostFactor), number(float64(count.OnNS)/3600e9), number(float64(count.LongestNS)*1e-9)
	}
	d.ReleaseMedian, d.ReleaseHighest = number(quantile(release, 0.5)), number(quantile(release, 0.95))
	d.SetMedian, d.SetHighest = number(quantile(set, 0.5)), number(quantile(set, 0.95))
	m.work(d, r.settings.Stop)
	r.Doubts = []DoubtRecord{}
	for _, name := range (analysis.Flag(math.MaxUint16)).Names() {
		if n := doubts[name]; n > 0 {
			r.Doubts = append(r.Doubts, DoubtRecord{name, n})
		}
	}
	return nil
}

// work is the braking work after VDI 2241, where the site file has what it needs.
func (m *maker) work(d *DutyRecord, stop analysis.Stop) {
	lowering, ok := stop.Work()
	if !ok {
		return
	}
	slip, _ := stop.Seconds()
	d.LoweringKJ, d.SlipLoweringS = number(lowering*1e-3), number(slip)
	d.AtMostMJ = number(lowering * 1e-6 * float64(d.Full+d.Jogs))
	stop.LoadNM = -stop.LoadNM
	if hoisting, ok := stop.Work(); ok {
		d.HoistingKJ = number(hoisting * 1e-3)
	}
}

// quantile is the q-quantile of values, NaN of none.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	at := q * float64(len(v)-1)
	i := int(at)
	if i+1 >= len(v) {
		return v[len(v)-1]
	}
	return v[i] + (at-float64(i))*(v[i+1]-v[i])
}

package store

import (
	"context"
	"fmt"
	"math"
	"slices"
)

// Day is what is left of a brake's UTC day once its cycles are rolled up. A
// figure that no cycle had is NaN.
type Day struct {
	DayNS              int64 // its midnight
	Full, Jogs         int64
	Gaps               int64 // cycles with a gap
	GapMeanMM          float64
	GapMinMM, GapMaxMM float64
	GapP05MM, GapP50MM float64
	GapP95MM           float64
	ReleaseP50S        float64
	ReleaseP95S        float64
	SetP50S, SetP95S   float64
	WearUMPerK         float64 // µm per 1000 cycles, by the day's last forecast
}

// Days reads the rolled-up days of a brake that fromNS to toNS touch, the
// oldest first.
func (d *DB) Days(ctx context.Context, brake string, fromNS, toNS int64) ([]Day, error) {
	return list(ctx, d, "the days of "+brake, func(s scanner) (r Day, err error) {
		err = s.Scan(&r.DayNS, &r.Full, &r.Jogs, &r.Gaps, nan(&r.GapMeanMM), nan(&r.GapMinMM), nan(&r.GapMaxMM), nan(&r.GapP05MM), nan(&r.GapP50MM), nan(&r.GapP95MM),
			nan(&r.ReleaseP50S), nan(&r.ReleaseP95S), nan(&r.SetP50S), nan(&r.SetP95S), nan(&r.WearUMPerK))
		r.DayNS *= dayNS
		return r, err
	}, `SELECT t.day, c.full_count, c.jog_count, t.gaps, gap_mean, t.gap_min, t.gap_max, gap_p05, gap_p50, gap_p95, release_p50, release_p95, set_p50, set_p95, wear
		FROM daily t JOIN days c ON c.brake = t.brake AND c.day = t.day
		WHERE t.brake = (SELECT id FROM brakes WHERE name = ?) AND t.day >= ? AND t.day <= ? ORDER BY t.day`, brake, dayOf(fromNS), dayOf(toNS))
}

// RecallFrom is where to begin with a brake's cycles so that there are at least
// so many, and how many came before. It begins with a week, which is the same
// for all restarts until a later week has cycles enough after it, so that one
// restart is like another.
func (d *DB) RecallFrom(ctx context.Context, brake string, least int64) (fromNS, fullBefore, jogsBefore int64, err error) {
	counts, err := d.DailyCounts(ctx, brake, math.MinInt64, math.MaxInt64)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("looking where to begin: %w", err)
	}
	const weekNS = 7 * dayNS
	fromNS = math.MinInt64
	var since int64
	for i, c := range slices.Backward(counts) {
		since += c.Full + c.Jogs
		week := c.DayNS - (c.DayNS%weekNS+weekNS)%weekNS
		if since < least || i > 0 && counts[i-1].DayNS >= week {
			continue
		}
		fromNS = week
		for _, before := range counts[:i] {
			fullBefore += before.Full
			jogsBefore += before.Jogs
		}
		break
	}
	return fromNS, fullBefore, jogsBefore, nil
}

func mean(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// quantile is the q-quantile of sorted values, between the two nearest where it
// falls between them; NaN of none.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := q * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}

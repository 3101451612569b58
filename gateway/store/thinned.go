package store

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// GapPoint is the gaps of a stretch of time, for a plot.
type GapPoint struct {
	AtNS   int64 // the middle between the first and the last of its cycles
	MeanMM float64
	MinMM  float64
	MaxMM  float64
	Count  int64 // cycles with a gap
}

// gaps are a GapPoint in the making.
type gaps struct {
	firstNS, lastNS int64
	sumMM           float64
	minMM, maxMM    float64
	count           int64
}

// add takes in what comes later or at the same time.
func (g *gaps) add(o gaps) {
	switch {
	case o.count == 0:
	case g.count == 0:
		*g = o
	default:
		g.firstNS, g.lastNS = min(g.firstNS, o.firstNS), max(g.lastNS, o.lastNS)
		g.minMM, g.maxMM = min(g.minMM, o.minMM), max(g.maxMM, o.maxMM)
		g.sumMM, g.count = g.sumMM+o.sumMM, g.count+o.count
	}
}

func (g gaps) point() GapPoint {
	return GapPoint{AtNS: g.firstNS + (g.lastNS-g.firstNS)/2, MeanMM: g.sumMM / float64(g.count), MinMM: g.minMM, MaxMM: g.maxMM, Count: g.count}
}

// wholeDays is from which width of a stretch on whole days are good enough.
const wholeDays = dayNS / 2

// Thinned reads the gaps of a brake with fromNS <= time < toNS as at most n
// points, each of an equal stretch of time. Stretches without a gap have no
// point. Where a stretch is half a day or more, a day is not divided but
// belongs to the stretch that it begins in, and so is a day that is rolled up:
// it counts with its mean, extremes and number. An open end is as that of [DB.Cycles].
func (d *DB) Thinned(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]GapPoint, error) {
	if n < 1 {
		return nil, fmt.Errorf("thinning the cycles of %s to %d points: there must be one at least", brake, n)
	}
	if toNS <= fromNS {
		return nil, nil
	}
	toNS, err := d.openEnd(ctx, brake, toNS)
	if err != nil {
		return nil, err
	}
	first, last, err := d.gapExtent(ctx, brake, fromNS, toNS)
	if err != nil || last < first {
		return nil, err
	}
	all := make([]gaps, n) // by stretch
	width := (last-first)/int64(n) + 1
	if width >= wholeDays {
		err = d.thinDays(ctx, brake, first, last, width, all)
	} else {
		err = d.thinCycles(ctx, brake, first, last, width, all)
	}
	if err != nil {
		return nil, err
	}
	var points []GapPoint
	for _, g := range all {
		if g.count > 0 {
			points = append(points, g.point())
		}
	}
	return points, nil
}

// gapExtent narrows a span to where there are cycles, or days of them: points
// of an open end would else share a few stretches.
func (d *DB) gapExtent(ctx context.Context, brake string, fromNS, toNS int64) (first, last int64, err error) {
	err = d.row(ctx, func(s scanner) error { return s.Scan(&first, &last) }, `WITH who (id) AS (SELECT id FROM brakes WHERE name = ?1)
		SELECT ifnull(min(lo), 0), ifnull(max(hi), -1) FROM (
			SELECT (SELECT min(at_ns) FROM cycles WHERE brake = (SELECT id FROM who) AND at_ns >= ?2 AND at_ns < ?3) AS lo,
			       (SELECT max(at_ns) FROM cycles WHERE brake = (SELECT id FROM who) AND at_ns >= ?2 AND at_ns < ?3) AS hi
			UNION ALL
			SELECT min(first_ns), max(first_ns) FROM daily WHERE brake = (SELECT id FROM who) AND gaps > 0 AND first_ns >= ?2 AND first_ns < ?3)`,
		brake, fromNS, toNS)
	return first, last, d.readingGaps(brake, err)
}

// readingGaps says what failed, if something did.
func (d *DB) readingGaps(brake string, err error) error {
	if err == nil {
		return nil
	}
	return d.suspect(fmt.Errorf("reading the gaps of %s from %s: %w", brake, d.path, err))
}

// thinDays fills in stretches from the days' own figures. The days at the two
// ends, of which only a part may be meant, are read cycle by cycle.
func (d *DB) thinDays(ctx context.Context, brake string, first, last, width int64, all []gaps) error {
	days, err := list(ctx, d, "the days of "+brake, scanGaps, `SELECT first_ns, last_ns, gap_sum, gap_min, gap_max, gaps FROM days
		WHERE brake = (SELECT id FROM brakes WHERE name = ?) AND day >= ? AND day <= ? AND gaps > 0 ORDER BY day`, brake, dayOf(first), dayOf(last))
	if err != nil {
		return err
	}
	for _, day := range days {
		if day.firstNS < first || day.lastNS > last {
			part, err := d.gapsBetween(ctx, brake, max(first, day.firstNS), min(last, day.lastNS)+1)
			if err != nil {
				return err
			}
			switch {
			case part.count > 0:
				day = part
			case day.firstNS < first || day.firstNS > last:
				continue // a day that is rolled up, and begins elsewhere
			}
		}
		all[(day.firstNS-first)/width].add(day)
	}
	return nil
}

const gapAggregate = `SELECT ifnull(min(at_ns), 0), ifnull(max(at_ns), 0), ifnull(sum(gap_mm), 0), ifnull(min(gap_mm), 0), ifnull(max(gap_mm), 0), count(*) FROM cycles
	WHERE brake = (SELECT id FROM brakes WHERE name = ?) AND at_ns >= ? AND at_ns < ? AND gap_mm IS NOT NULL`

func scanGaps(s scanner) (g gaps, err error) {
	err = s.Scan(&g.firstNS, &g.lastNS, &g.sumMM, &g.minMM, &g.maxMM, &g.count)
	return g, err
}

func (d *DB) gapsBetween(ctx context.Context, brake string, fromNS, toNS int64) (gaps, error) {
	var g gaps
	err := d.row(ctx, func(s scanner) (err error) {
		g, err = scanGaps(s)
		return err
	}, gapAggregate, brake, fromNS, toNS)
	return g, d.readingGaps(brake, err)
}

// thinCycles fills in stretches cycle by cycle, each a range of the primary
// key: grouping them in one query would sort all their cycles, which takes
// longer. Two connections share the work.
func (d *DB) thinCycles(ctx context.Context, brake string, first, last, width int64, all []gaps) error {
	used := (last-first)/width + 1
	errs := make([]error, 2)
	var both sync.WaitGroup
	for half := range int64(2) {
		both.Go(func() {
			from, to := half*used/2, (half+1)*used/2
			errs[half] = d.stretches(ctx, brake, first+from*width, last, width, all[from:to])
		})
	}
	both.Wait()
	if err := errors.Join(errs...); err != nil {
		return d.readingGaps(brake, err)
	}
	return d.addRolled(ctx, brake, first, last, width, all)
}

// stretches reads as many stretches as there are places, the first of which
// begins at fromNS.
func (d *DB) stretches(ctx context.Context, brake string, fromNS, lastNS, width int64, places []gaps) error {
	d.gate.RLock()
	defer d.gate.RUnlock()
	read, err := d.read.PrepareContext(ctx, gapAggregate)
	if err != nil {
		return err
	}
	defer func() { _ = read.Close() }() // nothing is lost with it
	for i := range places {
		begin := fromNS + int64(i)*width
		if places[i], err = scanGaps(read.QueryRowContext(ctx, brake, begin, min(begin+width, lastNS+1))); err != nil {
			return err
		}
	}
	return nil
}

// addRolled adds the days that are rolled up, each to the stretch that it
// begins in.
func (d *DB) addRolled(ctx context.Context, brake string, first, last, width int64, all []gaps) error {
	rolled, err := list(ctx, d, "the days of "+brake, scanGaps, `SELECT first_ns, last_ns, gap_mean * gaps, gap_min, gap_max, gaps
		FROM daily WHERE brake = (SELECT id FROM brakes WHERE name = ?) AND gaps > 0 AND first_ns >= ? AND first_ns <= ? ORDER BY day`, brake, first, last)
	for _, day := range rolled {
		all[(day.firstNS-first)/width].add(day)
	}
	return err
}

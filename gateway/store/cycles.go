package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
)

const cycleQuery = " FROM cycles t JOIN brakes b ON b.id = t.brake"

// Cycles reads the cycles of a brake with fromNS <= time < toNS, the oldest
// first. With a limit above 0 it reads the newest so many of the span. An end of
// math.MaxInt64 is the latest cycle: what a clock that was ahead has left behind
// comes later in time, and did not happen later.
func (d *DB) Cycles(ctx context.Context, brake string, fromNS, toNS int64, limit int) ([]CycleRow, error) {
	toNS, err := d.openEnd(ctx, brake, toNS)
	if err != nil {
		return nil, err
	}
	if limit <= 0 {
		limit = -1
	}
	got, err := list(ctx, d, "cycles of "+brake, scanCycle, "SELECT "+columns(cycleFigures)+cycleQuery+
		" WHERE b.name = ? AND t.at_ns >= ? AND t.at_ns < ? ORDER BY t.at_ns DESC LIMIT ?", brake, fromNS, toNS, limit)
	slices.Reverse(got)
	return got, err
}

// openEnd is the end of a span, for an open one the time of the verdict on the
// cycle that was stored last.
func (d *DB) openEnd(ctx context.Context, brake string, toNS int64) (int64, error) {
	if toNS < math.MaxInt64 {
		return toNS, nil
	}
	var latestNS int64
	err := d.row(ctx, func(s scanner) error { return s.Scan(&latestNS) }, "SELECT at_ns FROM verdicts WHERE brake = (SELECT id FROM brakes WHERE name = ?)", brake)
	if errors.Is(err, sql.ErrNoRows) {
		return toNS, nil
	}
	if err != nil {
		return 0, d.suspect(fmt.Errorf("reading the time of the latest cycle of %s from %s: %w", brake, d.path, err))
	}
	return latestNS + 1, nil
}

// CyclesAfter reads the cycles with ids above id, of all brakes, in the order
// of their ids and at most limit.
func (d *DB) CyclesAfter(ctx context.Context, id int64, limit int) ([]CycleRow, error) {
	return list(ctx, d, "cycles", scanCycle, "SELECT "+columns(cycleFigures)+cycleQuery+
		" WHERE t.id > ? ORDER BY t.id LIMIT ?", id, limit)
}

// chunk is how many cycles of a brake [DB.EachCycle] holds at a time.
const chunk = 512

// ErrUnordered is what [DB.EachCycle] ends with where a brake's cycles were not
// stored in the order of their times: the machine's clock was set back between
// two runs. [DB.CyclesAfter] reads them in the order in which they were stored.
var ErrUnordered = errors.New("cycles were not stored in the order of their times")

// EachCycle calls fn with every cycle of the brakes named, of each from a time
// on, in the order in which they were stored. It is there for a start, which
// reads many: the figures that [analysis.Brake.Recall] has no use for are NaN,
// which saves time. It reads piece by piece, so fn may take its time;
// cycles committed meanwhile may come too or not. It ends at fn's first error,
// which it returns as it is.
func (d *DB) EachCycle(ctx context.Context, fromNS map[string]int64, fn func(CycleRow) error) error {
	fronts := make([]front, 0, len(fromNS))
	for name, from := range fromNS {
		f := front{d: d, brake: name, nextNS: from}
		if err := f.fill(ctx); err != nil {
			return err
		}
		if len(f.rows) > 0 {
			fronts = append(fronts, f)
		}
	}
	// They are tens of brakes at most, so the earliest is simply looked for.
	for len(fronts) > 0 {
		first := 0
		for i := range fronts {
			if fronts[i].rows[0].ID < fronts[first].rows[0].ID {
				first = i
			}
		}
		f := &fronts[first]
		if f.rows[0].ID < f.lastID {
			return fmt.Errorf("reading cycles of %s: %w", f.brake, ErrUnordered)
		}
		f.lastID = f.rows[0].ID
		if err := fn(f.rows[0]); err != nil {
			return err
		}
		if f.rows = f.rows[1:]; len(f.rows) > 0 {
			continue
		}
		if err := f.fill(ctx); err != nil {
			return err
		}
		if len(f.rows) == 0 {
			fronts = slices.Delete(fronts, first, first+1)
		}
	}
	return nil
}

// front is one brake's cycles being merged with the others'.
type front struct {
	d      *DB
	brake  string
	rows   []CycleRow
	nextNS int64 // where the next chunk begins
	lastID int64 // of those given out
	done   bool
}

func (f *front) fill(ctx context.Context) (err error) {
	if f.done {
		return nil
	}
	f.rows, err = list(ctx, f.d, "cycles of "+f.brake, func(s scanner) (CycleRow, error) {
		r := CycleRow{Brake: f.brake}
		r.GapUCalMM, r.ReleasedLevelMM, r.TemperatureC = math.NaN(), math.NaN(), math.NaN()
		err := s.Scan(&r.ID, &r.AtNS, &r.OnNS, &r.Kind, &r.Flags, nan(&r.GapMM), nan(&r.GapUMM), nan(&r.ReleaseS), nan(&r.ReleaseUS), nan(&r.SetS), nan(&r.SetUS), nan(&r.SetLevelMM))
		return r, err
	}, `SELECT id, at_ns, on_ns, kind, flags, gap_mm, gap_u_mm, release_s, release_u_s, set_s, set_u_s, set_level_mm FROM cycles
		WHERE brake = (SELECT id FROM brakes WHERE name = ?) AND at_ns >= ? ORDER BY at_ns LIMIT ?`, f.brake, f.nextNS, chunk)
	f.done = len(f.rows) < chunk
	if n := len(f.rows); n > 0 {
		f.nextNS = f.rows[n-1].AtNS + 1 // a brake has one cycle at a time
	}
	return err
}

// Counts counts the cycles of a brake at and after sinceNS.
func (d *DB) Counts(ctx context.Context, brake string, sinceNS int64) (full, jogs int64, err error) {
	// Whole days come from their own table, the day that sinceNS falls in from
	// the cycles.
	err = d.row(ctx, func(s scanner) error { return s.Scan(&full, &jogs) }, `WITH who (id) AS (SELECT id FROM brakes WHERE name = ?1)
		SELECT ifnull(sum(f), 0), ifnull(sum(j), 0) FROM (
			SELECT full_count AS f, jog_count AS j FROM days, who WHERE brake = who.id AND day > ?2
			UNION ALL
			SELECT sum(kind = 0), sum(kind <> 0) FROM cycles, who WHERE brake = who.id AND at_ns >= ?3 AND at_ns < (?2 + 1) * ?4)`,
		brake, dayOf(sinceNS), sinceNS, dayNS)
	if err != nil {
		return 0, 0, d.suspect(fmt.Errorf("counting the cycles of %s in %s: %w", brake, d.path, err))
	}
	return full, jogs, nil
}

// DayCount is the cycles of a UTC day.
type DayCount struct {
	DayNS int64 // its midnight
	Full  int64
	Jogs  int64
}

// DailyCounts reads the cycles a day of a brake, for the UTC days that fromNS
// to toNS touch, the oldest first. Days without a cycle are left out.
func (d *DB) DailyCounts(ctx context.Context, brake string, fromNS, toNS int64) ([]DayCount, error) {
	return list(ctx, d, "the daily counts of "+brake, func(s scanner) (c DayCount, err error) {
		err = s.Scan(&c.DayNS, &c.Full, &c.Jogs)
		c.DayNS *= dayNS
		return c, err
	}, `SELECT day, full_count, jog_count FROM days WHERE brake = (SELECT id FROM brakes WHERE name = ?)
		AND day >= ? AND day <= ? ORDER BY day`, brake, dayOf(fromNS), dayOf(toNS))
}

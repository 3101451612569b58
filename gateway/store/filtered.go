package store

import "context"

// FilteredGap is the filtered gap at a moment, as the forecast made then has it.
type FilteredGap struct {
	AtNS    int64
	MM, UMM float64 // with its standard uncertainty
}

// Filtered reads the course of a brake's filtered gap as about n points, the
// oldest first: the first forecast of each stretch of time. An open end is as that
// of [DB.Cycles].
func (d *DB) Filtered(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]FilteredGap, error) {
	toNS, err := d.openEnd(ctx, brake, toNS)
	if err != nil {
		return nil, err
	}
	return list(ctx, d, "the filtered gap of "+brake, func(s scanner) (r FilteredGap, err error) {
		err = s.Scan(&r.AtNS, &r.MM, &r.UMM)
		return r, err
	}, `WITH found AS (SELECT at_ns, gap_mm, gap_u_mm FROM forecasts WHERE brake = (SELECT id FROM brakes WHERE name = ?1)
			AND limit_name = 'adjust' AND gap_mm IS NOT NULL AND gap_u_mm IS NOT NULL AND at_ns >= ?2 AND at_ns < ?3),
		span AS (SELECT min(at_ns) AS first, max(1, (max(at_ns) - min(at_ns)) / max(1, ?4)) AS width FROM found)
		SELECT min(at_ns), gap_mm, gap_u_mm FROM found, span GROUP BY (at_ns - first) / width ORDER BY 1`, brake, fromNS, toNS, n)
}

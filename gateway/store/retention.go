package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Keep says for how long every cycle is kept, and how large the database may
// grow.
type Keep struct {
	Cycles    time.Duration // then a day's cycles become one row of quantiles
	MostBytes int64         // of pages in use; what is given up first see [DB.Tidy]
	Exporters []string      // who is still to deliver cycles; what others once left behind holds for nothing
}

// KeepByDefault keeps every cycle for two years, in four gigabytes at most:
// 64 brakes at 300 cycles a day take half of it.
func KeepByDefault() Keep { return Keep{Cycles: 2 * 365 * 24 * time.Hour, MostBytes: 4 << 30} }

// Tidied is what a call of [DB.Tidy] did.
type Tidied struct {
	Days        int64 // rolled up
	Cycles      int64 // in those days
	Undelivered int64 // of those cycles, which some exporter had not yet delivered
	Forecasts   int64 // taken out
	Waveforms   int64 // taken out
	OverBytes   int64 // above the limit, with nothing left that may be given up
	More        bool  // there is more to do: call again soon
}

// Add sums up several calls.
func (t *Tidied) Add(o Tidied) {
	t.Days += o.Days
	t.Cycles += o.Cycles
	t.Undelivered += o.Undelivered
	t.Forecasts += o.Forecasts
	t.Waveforms += o.Waveforms
	t.OverBytes, t.More = o.OverBytes, o.More
}

const (
	// what one transaction takes out at most, so that a commit never waits long
	fewForecasts = 500
	fewWaveforms = 16
	// for the size alone, days as young as this aren't rolled up
	youngest = 30 * 24 * time.Hour
)

// Tidy does one small piece of what age and size ask for, in one transaction:
// a day of one brake is rolled up, or a few old forecasts or waveforms of
// alarmed cycles are taken out. Above the size it gives up the oldest waveforms first, all but
// each brake's latest; then the cycles of the oldest days become quantiles
// early; then forecasts that newer ones have replaced. Alarms and the ledger
// stay for ever, and so do the counts of cycles a day.
func (d *DB) Tidy(ctx context.Context, now time.Time, keep Keep) (Tidied, error) {
	if d.write == nil {
		return Tidied{}, ErrReadOnly
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return Tidied{}, errClosed
	}
	if err := ctx.Err(); err != nil {
		return Tidied{}, fmt.Errorf("tidying: %w", err)
	}
	t, err := d.tidy(context.WithoutCancel(ctx), now, keep)
	if err != nil {
		return Tidied{}, d.suspect(fmt.Errorf("tidying %s: %w", d.path, err))
	}
	return t, nil
}

func (d *DB) tidy(ctx context.Context, now time.Time, keep Keep) (Tidied, error) {
	tx, err := d.write.BeginTx(ctx, nil)
	if err != nil {
		return Tidied{}, fmt.Errorf("beginning: %w", err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing once committed
	k := tidying{ctx: ctx, tx: tx, exporters: keep.Exporters}
	if err := k.piece(now, keep); err != nil {
		return Tidied{}, err
	}
	if !k.More {
		return k.Tidied, nil // nothing was changed
	}
	return k.Tidied, tx.Commit()
}

// tidying is one transaction of it.
type tidying struct {
	ctx       context.Context
	tx        *sql.Tx
	exporters []string
	Tidied
}

func (k *tidying) piece(now time.Time, keep Keep) error {
	old := now.Add(-keep.Cycles).UnixNano()
	brake, day, err := k.oldest()
	if err != nil {
		return err
	}
	if brake != 0 && day < dayOf(old) {
		return k.rollUp(brake, day)
	}
	if err := k.dropForecasts(old); err != nil || k.More {
		return err
	}
	if err := k.dropWaveforms(old); err != nil || k.More {
		return err
	}
	over, err := k.over(keep.MostBytes)
	if err != nil || over <= 0 {
		return err
	}
	if err := k.dropWaveforms(now.UnixNano()); err != nil || k.More {
		return err
	}
	if brake != 0 && day < dayOf(now.Add(-youngest).UnixNano()) {
		return k.rollUp(brake, day)
	}
	if err := k.dropForecasts(now.UnixNano()); err != nil || k.More {
		return err
	}
	k.OverBytes = over
	return nil
}

// oldest is the brake with the oldest cycle and the day of that; 0 where there
// is no cycle.
func (k *tidying) oldest() (brake, day int64, err error) {
	var atNS sql.NullInt64
	err = k.tx.QueryRowContext(k.ctx, `SELECT id, (SELECT min(at_ns) FROM cycles WHERE brake = b.id) AS first
		FROM brakes b WHERE first IS NOT NULL ORDER BY first LIMIT 1`).Scan(&brake, &atNS)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, 0, nil
	}
	if err != nil {
		return 0, 0, fmt.Errorf("looking for the oldest cycle: %w", err)
	}
	return brake, dayOf(atNS.Int64), nil
}

// over is by how much the pages in use exceed the limit. Pages that are free
// are filled again before the file grows.
func (k *tidying) over(most int64) (int64, error) {
	var used int64
	err := k.tx.QueryRowContext(k.ctx, `SELECT ((SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count))
		* (SELECT page_size FROM pragma_page_size)`).Scan(&used)
	if err != nil {
		return 0, fmt.Errorf("reading the size: %w", err)
	}
	return used - most, nil
}

// rollUp makes a brake's day one row and takes its cycles out.
func (k *tidying) rollUp(brake, day int64) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("rolling up day %d of brake %d: %w", day, brake, err)
		}
	}()
	r, err := k.readDay(brake, day)
	if err != nil {
		return err
	}
	names, err := json.Marshal(k.exporters)
	if err != nil {
		return err
	}
	var delivered sql.NullInt64
	if err := k.tx.QueryRowContext(k.ctx, `SELECT min(id) FROM cursors WHERE name IN (SELECT value || '/cycles' FROM json_each(?1))`, string(names)).Scan(&delivered); err != nil {
		return err
	}
	if delivered.Valid {
		for _, id := range r.ids {
			if id > delivered.Int64 {
				k.Undelivered++
			}
		}
	}
	var wear sql.NullFloat64
	err = k.tx.QueryRowContext(k.ctx, `SELECT wear FROM forecasts WHERE brake = ?1 AND at_ns >= ?2 AND at_ns < ?3 AND limit_name = 'adjust'
		ORDER BY at_ns DESC, id DESC LIMIT 1`, brake, day*dayNS, (day+1)*dayNS).Scan(&wear)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	// A cycle that comes late into a day that is rolled up already can't be
	// worked in; the row of the more cycles stays.
	if _, err := k.tx.ExecContext(k.ctx, `INSERT INTO daily (brake, day, first_ns, last_ns, gaps, gap_mean, gap_min, gap_p05, gap_p50, gap_p95, gap_max,
			release_p50, release_p95, set_p50, set_p95, wear) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (brake, day) DO UPDATE SET first_ns = excluded.first_ns, last_ns = excluded.last_ns, gaps = excluded.gaps,
			gap_mean = excluded.gap_mean, gap_min = excluded.gap_min, gap_p05 = excluded.gap_p05, gap_p50 = excluded.gap_p50,
			gap_p95 = excluded.gap_p95, gap_max = excluded.gap_max, release_p50 = excluded.release_p50, release_p95 = excluded.release_p95,
			set_p50 = excluded.set_p50, set_p95 = excluded.set_p95, wear = excluded.wear
			WHERE excluded.gaps > daily.gaps`,
		brake, day, r.firstNS, r.lastNS, len(r.gaps), figure(mean(r.gaps)), figure(quantile(r.gaps, 0)), figure(quantile(r.gaps, 0.05)),
		figure(quantile(r.gaps, 0.5)), figure(quantile(r.gaps, 0.95)), figure(quantile(r.gaps, 1)),
		figure(quantile(r.releases, 0.5)), figure(quantile(r.releases, 0.95)), figure(quantile(r.sets, 0.5)), figure(quantile(r.sets, 0.95)), wear); err != nil {
		return err
	}
	if err := k.given("cycles", slices.Max(r.ids)); err != nil {
		return err
	}
	if _, err := k.tx.ExecContext(k.ctx, "DELETE FROM cycles WHERE brake = ? AND at_ns >= ? AND at_ns < ?", brake, day*dayNS, (day+1)*dayNS); err != nil {
		return err
	}
	k.Days, k.Cycles, k.More = k.Days+1, k.Cycles+int64(len(r.ids)), true
	return nil
}

// dayCycles are the figures of a day, each sorted.
type dayCycles struct {
	ids                  []int64
	firstNS, lastNS      int64
	gaps, releases, sets []float64
}

func (k *tidying) readDay(brake, day int64) (r dayCycles, err error) {
	rows, err := k.tx.QueryContext(k.ctx, "SELECT id, at_ns, gap_mm, release_s, set_s FROM cycles WHERE brake = ? AND at_ns >= ? AND at_ns < ? ORDER BY at_ns",
		brake, day*dayNS, (day+1)*dayNS)
	if err != nil {
		return r, err
	}
	defer func() { _ = rows.Close() }() // what matters of it, Err has told
	var allFirst, allLast int64
	for rows.Next() {
		var id, atNS int64
		var gap, release, set sql.NullFloat64
		if err := rows.Scan(&id, &atNS, &gap, &release, &set); err != nil {
			return r, err
		}
		if len(r.ids) == 0 {
			allFirst = atNS
		}
		allLast = atNS
		r.ids = append(r.ids, id)
		if gap.Valid {
			if len(r.gaps) == 0 {
				r.firstNS = atNS
			}
			r.lastNS = atNS
			r.gaps = append(r.gaps, gap.Float64)
		}
		if release.Valid {
			r.releases = append(r.releases, release.Float64)
		}
		if set.Valid {
			r.sets = append(r.sets, set.Float64)
		}
	}
	if len(r.gaps) == 0 {
		r.firstNS, r.lastNS = allFirst, allLast
	}
	for _, figures := range [][]float64{r.gaps, r.releases, r.sets} {
		slices.Sort(figures)
	}
	return r, rows.Err()
}

// given remembers the highest id of a stream that is taken out.
func (k *tidying) given(stream string, id int64) error {
	_, err := k.tx.ExecContext(k.ctx, `INSERT INTO given (stream, id) VALUES (?, ?)
		ON CONFLICT (stream) DO UPDATE SET id = max(id, excluded.id)`, stream, id)
	return err
}

// dropForecasts takes out a few forecasts from before a time, but never the
// latest of a brake and limit.
func (k *tidying) dropForecasts(beforeNS int64) error {
	var ids []int64
	rows, err := k.tx.QueryContext(k.ctx, `SELECT id FROM forecasts WHERE at_ns < ? AND id NOT IN (SELECT forecast FROM latest_forecasts)
		ORDER BY at_ns LIMIT ?`, beforeNS, fewForecasts)
	if err != nil {
		return fmt.Errorf("looking for old forecasts: %w", err)
	}
	defer func() { _ = rows.Close() }() // what matters of it, Err has told
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return fmt.Errorf("looking for old forecasts: %w", err)
		}
		ids = append(ids, id)
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("looking for old forecasts: %w", err)
	}
	if len(ids) == 0 {
		return nil
	}
	if err := k.given("forecasts", slices.Max(ids)); err != nil {
		return fmt.Errorf("taking out old forecasts: %w", err)
	}
	for _, id := range ids {
		if _, err := k.tx.ExecContext(k.ctx, "DELETE FROM forecasts WHERE id = ?", id); err != nil {
			return fmt.Errorf("taking out old forecasts: %w", err)
		}
	}
	k.Forecasts, k.More = k.Forecasts+int64(len(ids)), true
	return nil
}

// dropWaveforms takes out a few of the oldest waveforms from before a time, but
// never the latest of a brake.
func (k *tidying) dropWaveforms(beforeNS int64) error {
	res, err := k.tx.ExecContext(k.ctx, `DELETE FROM waveforms WHERE (brake, cycle_at_ns) IN (
		SELECT brake, cycle_at_ns FROM waveforms w WHERE cycle_at_ns < ? AND cycle_at_ns < (SELECT max(cycle_at_ns) FROM waveforms WHERE brake = w.brake)
		ORDER BY cycle_at_ns LIMIT ?)`, beforeNS, fewWaveforms)
	if err != nil {
		return fmt.Errorf("taking out the oldest waveforms: %w", err)
	}
	n, err := res.RowsAffected()
	if err != nil {
		return fmt.Errorf("taking out the oldest waveforms: %w", err)
	}
	k.Waveforms, k.More = k.Waveforms+n, n > 0
	return nil
}

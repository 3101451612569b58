package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"strings"
)

// scanner is a row, wherever it comes from.
type scanner interface{ Scan(...any) error }

func scanCycle(s scanner) (r CycleRow, err error) {
	err = s.Scan(&r.Brake, &r.ID, &r.AtNS, &r.OnNS, &r.Kind, &r.Flags,
		nan(&r.GapMM), nan(&r.GapUMM), nan(&r.GapUCalMM), nan(&r.ReleaseS), nan(&r.ReleaseUS),
		nan(&r.SetS), nan(&r.SetUS), nan(&r.SetLevelMM), nan(&r.ReleasedLevelMM), nan(&r.TemperatureC))
	return r, err
}

func scanVerdict(s scanner) (r VerdictRow, err error) {
	err = s.Scan(&r.Brake, &r.Rev, &r.AtNS, &r.State, nan(&r.GapMM), nan(&r.GapUMM),
		nan(&r.ReleaseS), nan(&r.ReleaseUS), nan(&r.SetS), nan(&r.SetUS), &r.Full, &r.Jogs)
	return r, err
}

func scanForecast(s scanner) (r ForecastRow, err error) {
	err = s.Scan(&r.Brake, &r.ID, &r.AtNS, &r.Limit, nan(&r.LimitMM), nan(&r.GapMM), nan(&r.GapUMM),
		nan(&r.WearUMPerK), nan(&r.WearUUMPerK),
		nan(&r.Cycles.P05), nan(&r.Cycles.P50), nan(&r.Cycles.P95),
		nan(&r.DateNS.P05), nan(&r.DateNS.P50), nan(&r.DateNS.P95))
	return r, err
}

func scanAlarm(s scanner) (r AlarmRow, err error) {
	err = s.Scan(&r.Brake, &r.ID, &r.AtNS, &r.Condition, &r.Change, &r.State, &r.SinceNS,
		nan(&r.Value), nan(&r.U), nan(&r.Limit), &r.Unit, &r.Signal, &r.By, &r.Detail,
		&r.Device, &r.Marks, &r.CalledNS, &r.UntilNS, &r.Reason)
	return r, err
}

// list reads all rows of a query at once, so that none stays open: an open one
// keeps the log from being folded into the file.
func list[R any](ctx context.Context, d *DB, what string, scan func(scanner) (R, error), query string, args ...any) (_ []R, err error) {
	defer func() {
		if err != nil {
			err = d.suspect(fmt.Errorf("reading %s from %s: %w", what, d.path, err))
		}
	}()
	d.gate.RLock()
	defer d.gate.RUnlock()
	rows, err := d.read.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }() // what matters of it, Err has told
	var got []R
	for rows.Next() {
		r, err := scan(rows)
		if err != nil {
			return nil, err
		}
		got = append(got, r)
	}
	return got, rows.Err()
}

// Changed gives a channel that is closed at the next successful [DB.Commit].
// To miss nothing, take it before reading what is there. Commits of other
// processes it doesn't tell of.
func (d *DB) Changed() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.changed
}

// Brakes lists the brakes that have anything stored, in the order of their
// first appearance.
func (d *DB) Brakes(ctx context.Context) ([]string, error) {
	return list(ctx, d, "the brakes", func(s scanner) (name string, err error) {
		err = s.Scan(&name)
		return name, err
	}, "SELECT name FROM brakes WHERE name <> '' ORDER BY id")
}

// Verdicts reads the latest verdict on every brake.
func (d *DB) Verdicts(ctx context.Context) ([]VerdictRow, error) { return d.VerdictsAfter(ctx, 0, -1) }

// VerdictsAfter reads the verdicts stored after a revision, the oldest first
// and at most limit (all where it is negative). A verdict that was replaced
// meanwhile is not among them.
func (d *DB) VerdictsAfter(ctx context.Context, rev int64, limit int) ([]VerdictRow, error) {
	return list(ctx, d, "verdicts", scanVerdict,
		"SELECT "+columns(verdictFigures)+" FROM verdicts t JOIN brakes b ON b.id = t.brake WHERE t.rev > ? ORDER BY t.rev LIMIT ?", rev, limit)
}

// LatestForecasts reads the latest forecast for each limit of every brake.
func (d *DB) LatestForecasts(ctx context.Context) ([]ForecastRow, error) {
	return list(ctx, d, "the latest forecasts", scanForecast,
		"SELECT "+columns(forecastFigures)+` FROM latest_forecasts l JOIN forecasts t ON t.id = l.forecast
		JOIN brakes b ON b.id = t.brake ORDER BY l.brake, l.limit_name`)
}

// ForecastsAfter reads the forecasts with ids above id, the oldest first and at
// most limit.
func (d *DB) ForecastsAfter(ctx context.Context, id int64, limit int) ([]ForecastRow, error) {
	return list(ctx, d, "forecasts", scanForecast,
		"SELECT "+columns(forecastFigures)+" FROM forecasts t JOIN brakes b ON b.id = t.brake WHERE t.id > ? ORDER BY t.id LIMIT ?", id, limit)
}

const alarmStates = "SELECT " + "%s" + ` FROM latest_alarms l JOIN alarms t ON t.id = l.alarm
	JOIN brakes b ON b.id = t.brake WHERE t.state <> ? ORDER BY t.id`

// AlarmStates reads the latest event of every condition of every brake, the
// oldest first.
func (d *DB) AlarmStates(ctx context.Context) ([]AlarmRow, error) {
	return list(ctx, d, "the alarms' states", scanAlarm, fmt.Sprintf(alarmStates, columns(alarmFigures)), -1)
}

// ActiveAlarms reads the latest event of every condition that is not back to
// normal, the oldest first: those present, and those gone that nobody has
// acknowledged.
func (d *DB) ActiveAlarms(ctx context.Context) ([]AlarmRow, error) {
	return list(ctx, d, "the active alarms", scanAlarm, fmt.Sprintf(alarmStates, columns(alarmFigures)), 0)
}

// Alarms reads the latest events, newest first, of one brake, or of all and the
// gateway where brake is empty.
func (d *DB) Alarms(ctx context.Context, brake string, limit int) ([]AlarmRow, error) {
	query := "SELECT " + columns(alarmFigures) + " FROM alarms t JOIN brakes b ON b.id = t.brake"
	if brake == "" {
		return list(ctx, d, "alarms", scanAlarm, query+" ORDER BY t.id DESC LIMIT ?", limit)
	}
	return list(ctx, d, "alarms of "+brake, scanAlarm, query+" WHERE b.name = ? ORDER BY t.at_ns DESC, t.id DESC LIMIT ?", brake, limit)
}

// AlarmsAfter reads the events with ids above id, the oldest first and at most
// limit.
func (d *DB) AlarmsAfter(ctx context.Context, id int64, limit int) ([]AlarmRow, error) {
	return list(ctx, d, "alarms", scanAlarm,
		"SELECT "+columns(alarmFigures)+" FROM alarms t JOIN brakes b ON b.id = t.brake WHERE t.id > ? ORDER BY t.id LIMIT ?", id, limit)
}

// Waveform reads the waveform of a brake's latest cycle; ok is false where it
// has none.
func (d *DB) Waveform(ctx context.Context, brake string) (w WaveformRow, ok bool, err error) {
	toNS, err := d.openEnd(ctx, brake, math.MaxInt64)
	if err != nil {
		return WaveformRow{}, false, err
	}
	got, err := d.waveforms(ctx, brake, 0, toNS, 1)
	if err != nil || len(got) == 0 {
		return WaveformRow{}, false, err
	}
	return got[0], true, nil
}

// AlarmedWaveforms reads the waveforms of cycles in which an alarm was raised,
// the newest first and at most limit.
func (d *DB) AlarmedWaveforms(ctx context.Context, brake string, limit int) ([]WaveformRow, error) {
	return d.waveforms(ctx, brake, 1, math.MaxInt64, limit)
}

func (d *DB) waveforms(ctx context.Context, brake string, alarmedFrom int, toNS int64, limit int) ([]WaveformRow, error) {
	return list(ctx, d, "waveforms of "+brake, func(s scanner) (WaveformRow, error) {
		w := WaveformRow{Brake: brake}
		var packed []byte
		err := s.Scan(&w.CycleAtNS, &w.OffNS, &packed)
		if err == nil {
			w.TimesNS, w.TravelMM, err = unpackWaveform(packed)
		}
		return w, err
	}, `SELECT cycle_at_ns, off_ns, points FROM waveforms WHERE brake = (SELECT id FROM brakes WHERE name = ?)
		AND alarmed >= ? AND cycle_at_ns < ? ORDER BY cycle_at_ns DESC LIMIT ?`, brake, alarmedFrom, toNS, limit)
}

// Cursor reads how far a reader has come, 0 where it has never begun.
func (d *DB) Cursor(ctx context.Context, name string) (int64, error) {
	var id int64
	err := d.row(ctx, func(s scanner) error { return s.Scan(&id) }, "SELECT id FROM cursors WHERE name = ?", name)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, d.suspect(fmt.Errorf("reading cursor %s from %s: %w", name, d.path, err))
	}
	return id, nil
}

// Cursors reads all cursors whose names begin with prefix.
func (d *DB) Cursors(ctx context.Context, prefix string) (map[string]int64, error) {
	type cursor struct {
		name string
		id   int64
	}
	got, err := list(ctx, d, "the cursors", func(s scanner) (c cursor, err error) {
		err = s.Scan(&c.name, &c.id)
		return c, err
	}, "SELECT name, id FROM cursors")
	all := make(map[string]int64, len(got))
	for _, c := range got {
		if strings.HasPrefix(c.name, prefix) {
			all[c.name] = c.id
		}
	}
	return all, err
}

// Newest are the highest ids there are: what a reader that starts now and
// wants no history takes for its cursors.
type Newest struct{ Cycle, Forecast, Alarm, VerdictRev, Entry int64 }

// Newest reads the highest ids, 0 where there are none.
func (d *DB) Newest(ctx context.Context) (n Newest, err error) {
	err = d.row(ctx, func(s scanner) error { return s.Scan(&n.Cycle, &n.Forecast, &n.Alarm, &n.VerdictRev, &n.Entry) }, `SELECT
		max(ifnull((SELECT max(id) FROM cycles), 0), ifnull((SELECT id FROM given WHERE stream = 'cycles'), 0)),
		max(ifnull((SELECT max(id) FROM forecasts), 0), ifnull((SELECT id FROM given WHERE stream = 'forecasts'), 0)),
		ifnull((SELECT max(id) FROM alarms), 0), ifnull((SELECT max(rev) FROM verdicts), 0),
		ifnull((SELECT max(id) FROM ledger), 0)`)
	if err != nil {
		return Newest{}, d.suspect(fmt.Errorf("reading the highest ids from %s: %w", d.path, err))
	}
	return n, nil
}

package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"strings"
)

// The columns, in the order in which scan functions and inserts take them. The
// brake's name always comes from table b.
const (
	cycleFigures     = "id, at_ns, on_ns, kind, flags, gap_mm, gap_u_mm, gap_u_cal_mm, release_s, release_u_s, set_s, set_u_s, set_level_mm, released_level_mm, temperature_c"
	verdictFigures   = "rev, at_ns, state, gap_mm, gap_u_mm, release_s, release_u_s, set_s, set_u_s, full_count, jog_count"
	forecastFigures  = "id, at_ns, limit_name, limit_mm, gap_mm, gap_u_mm, wear, wear_u, cycles_p05, cycles_p50, cycles_p95, date_p05, date_p50, date_p95"
	alarmFigures     = "id, at_ns, condition, change, state, since_ns, value, u, limit_at, unit, signal, by_whom, detail, device, marks, called_ns, until_ns, reason"
	ledgerFigures    = "id, at_ns, entered_ns, kind, steps, gap_mm, gap_u_mm, still_mm, running_mm, repeats, u_a_mm, u_b_mm, read, thickness_mm, no_load, with_load, who, note, corrects, after_cycle"
	workCheckFigures = "entry, at_ns, outcome, cycles, gap_mm, gap_u_mm, off_mm, u_mm, short, state, words"
	offerFigures     = "at_ns, steps, from_mm, to_mm, words"
)

// columns are figures as a query asks for them: the brake's name, then each
// figure of table t.
func columns(figures string) string {
	return "b.name, t." + strings.ReplaceAll(figures, ", ", ", t.")
}

// insert is the statement that stores a brake and its figures.
func insert(table, figures string) string {
	marks := strings.Repeat(", ?", strings.Count(figures, ",")+1)
	return "INSERT INTO " + table + " (brake, " + figures + ") VALUES (?" + marks + ")"
}

// statements are what a commit runs, prepared once.
type statements struct {
	addBrake, addCycle, findCycle, addDay, putVerdict,
	addForecast, latestForecast, findForecast, dropForecast, addAlarm, latestAlarm, findAlarm,
	dropWaveform, putWaveform,
	addEntry, findEntry,
	putLearned, putWorkCheck, putOffer, dropOffer *sql.Stmt
}

func (s *statements) all() []struct {
	to   **sql.Stmt
	text string
} {
	return []struct {
		to   **sql.Stmt
		text string
	}{
		{&s.addBrake, "INSERT INTO brakes (name) VALUES (?) RETURNING id"},
		{&s.addCycle, insert("cycles", cycleFigures) + " ON CONFLICT (brake, at_ns) DO NOTHING"},
		{&s.findCycle, "SELECT id FROM cycles WHERE brake = ? AND at_ns = ?"},
		{&s.addDay, `INSERT INTO days (brake, day, full_count, jog_count, gaps, gap_sum, gap_min, gap_max, first_ns, last_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (brake, day) DO UPDATE SET full_count = full_count + excluded.full_count, jog_count = jog_count + excluded.jog_count,
				gaps = gaps + excluded.gaps, gap_sum = gap_sum + excluded.gap_sum,
				gap_min = min(ifnull(gap_min, excluded.gap_min), ifnull(excluded.gap_min, gap_min)),
				gap_max = max(ifnull(gap_max, excluded.gap_max), ifnull(excluded.gap_max, gap_max)),
				first_ns = min(ifnull(first_ns, excluded.first_ns), ifnull(excluded.first_ns, first_ns)),
				last_ns = max(ifnull(last_ns, excluded.last_ns), ifnull(excluded.last_ns, last_ns))`},
		{&s.putVerdict, strings.Replace(insert("verdicts", verdictFigures), "INSERT", "INSERT OR REPLACE", 1)},
		{&s.addForecast, insert("forecasts", forecastFigures)},
		{&s.latestForecast, "INSERT OR REPLACE INTO latest_forecasts (brake, limit_name, forecast) VALUES (?, ?, ?)"},
		{&s.findForecast, "SELECT " + columns(forecastFigures) + ` FROM latest_forecasts l JOIN forecasts t ON t.id = l.forecast
			JOIN brakes b ON b.id = t.brake WHERE l.brake = ? AND l.limit_name = ?`},
		{&s.dropForecast, "DELETE FROM forecasts WHERE id = ?"},
		{&s.findAlarm, `SELECT t.at_ns, t.change FROM latest_alarms l JOIN alarms t ON t.id = l.alarm
			WHERE l.brake = ? AND l.device = ? AND l.condition = ?`},
		{&s.addAlarm, insert("alarms", alarmFigures)},
		{&s.latestAlarm, "INSERT OR REPLACE INTO latest_alarms (brake, device, condition, alarm) VALUES (?, ?, ?, ?)"},
		{&s.putLearned, "INSERT OR REPLACE INTO learned (brake, cycle, settings, state) VALUES (?, ?, ?, ?)"},
		{&s.putWorkCheck, strings.Replace(insert("work_checks", workCheckFigures), "INSERT", "INSERT OR REPLACE", 1)},
		{&s.putOffer, strings.Replace(insert("offers", offerFigures), "INSERT", "INSERT OR REPLACE", 1)},
		{&s.dropOffer, "DELETE FROM offers WHERE brake = ?"},
		{&s.addEntry, insert("ledger", ledgerFigures)},
		{&s.findEntry, `SELECT b.name, ifnull((SELECT c.id FROM ledger c WHERE c.corrects = t.id), 0)
			FROM ledger t JOIN brakes b ON b.id = t.brake WHERE t.id = ?`},
		{&s.dropWaveform, "DELETE FROM waveforms WHERE brake = ?1 AND (alarmed = 0 OR cycle_at_ns = ?2)"},
		// An alarm is raised while its cycle runs, so it stands in the database
		// or in this very transaction by now. One of much later is of a clock that
		// was ahead.
		{&s.putWaveform, `INSERT INTO waveforms (brake, cycle_at_ns, off_ns, points, alarmed)
			VALUES (?1, ?2, ?3, ?4, EXISTS (SELECT 1 FROM alarms WHERE brake = ?1 AND at_ns BETWEEN ?2 AND ?2 + ?3 + 60000000000 AND change = ?5))`},
	}
}

func prepare(ctx context.Context, db *sql.DB) (statements, error) {
	var s statements
	for _, one := range s.all() {
		st, err := db.PrepareContext(ctx, one.text)
		if err != nil {
			s.close()
			return statements{}, fmt.Errorf("preparing %q: %w", one.text, err)
		}
		*one.to = st
	}
	return s, nil
}

func (s *statements) close() {
	for _, one := range s.all() {
		if *one.to != nil {
			_ = (*one.to).Close() // nothing is lost with it
		}
	}
}

// figure is a float as it is stored: what could not be had is NULL.
func figure(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

// orNaN reads back what [figure] stored.
type orNaN float64

// Scan implements [sql.Scanner].
func (f *orNaN) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		*f = orNaN(math.NaN())
	case float64:
		*f = orNaN(v)
	case int64:
		*f = orNaN(v)
	default:
		return fmt.Errorf("a figure is stored as %T", v)
	}
	return nil
}

func nan(v *float64) *orNaN { return (*orNaN)(v) }

func loadBrakes(ctx context.Context, db *sql.DB) (map[string]int64, error) {
	rows, err := db.QueryContext(ctx, "SELECT name, id FROM brakes")
	if err != nil {
		return nil, fmt.Errorf("reading the brakes: %w", err)
	}
	defer func() { _ = rows.Close() }()
	ids := map[string]int64{}
	for rows.Next() {
		var name string
		var id int64
		if err := rows.Scan(&name, &id); err != nil {
			return nil, fmt.Errorf("reading the brakes: %w", err)
		}
		ids[name] = id
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("reading the brakes: %w", err)
	}
	return ids, nil
}

// nextIDs are the ids that the next rows get. They are taken only when a
// transaction has been committed, so a failed one leaves no hole.
type nextIDs struct{ cycle, forecast, alarm, rev, entry int64 }

// loadNextIDs goes on after the highest id. A cursor counts too, and what
// [DB.Tidy] took out: where rows are gone, their ids must not come again.
func loadNextIDs(ctx context.Context, db *sql.DB) (nextIDs, error) {
	var n nextIDs
	err := db.QueryRowContext(ctx, `WITH passed (stream, id) AS (
			SELECT substr(name, instr(name, '/') + 1), max(id) FROM (SELECT name, id FROM cursors UNION ALL SELECT stream, id FROM given) GROUP BY 1)
		SELECT
			1 + max((SELECT ifnull(max(id), 0) FROM cycles),    (SELECT ifnull(max(id), 0) FROM passed WHERE stream = 'cycles')),
			1 + max((SELECT ifnull(max(id), 0) FROM forecasts), (SELECT ifnull(max(id), 0) FROM passed WHERE stream = 'forecasts')),
			1 + max((SELECT ifnull(max(id), 0) FROM alarms),    (SELECT ifnull(max(id), 0) FROM passed WHERE stream = 'alarms')),
			1 + max((SELECT ifnull(max(rev), 0) FROM verdicts), (SELECT ifnull(max(id), 0) FROM passed WHERE stream = 'verdicts')),
			1 + max((SELECT ifnull(max(id), 0) FROM ledger),    (SELECT ifnull(max(id), 0) FROM passed WHERE stream = 'ledger'))`).
		Scan(&n.cycle, &n.forecast, &n.alarm, &n.rev, &n.entry)
	if err != nil {
		return nextIDs{}, fmt.Errorf("reading the latest ids: %w", err)
	}
	return n, nil
}

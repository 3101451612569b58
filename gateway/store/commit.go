package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// Commit stores the whole batch in one transaction and returns when it is
// durable: what it caused may be told from then on. It fills in the ids of the
// rows, which rise by one without holes over the whole life of the database.
// On an error nothing is stored, the ids are 0 and the batch may be committed
// again.
//
// A cycle whose brake and time are stored already is taken for the same one:
// the stored figures stay and the row gets the stored id. So a batch whose
// fate was unclear may be committed again without doubling its cycles.
//
// ctx ends the wait for the writer's turn, not a transaction under way.
func (d *DB) Commit(ctx context.Context, b *Batch) error {
	if d.write == nil {
		return ErrReadOnly
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return errClosed
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("committing: %w", err)
	}
	c := committing{ctx: context.WithoutCancel(ctx), d: d, next: d.next}
	if err := c.run(b); err != nil {
		c.undo(b)
		return d.suspect(fmt.Errorf("committing to %s: %w", d.path, err))
	}
	d.next = c.next
	close(d.changed)
	d.changed = make(chan struct{})
	return nil
}

// committing is one commit under way.
type committing struct {
	ctx   context.Context
	d     *DB
	tx    *sql.Tx
	next  nextIDs
	added []string // brakes new in this transaction
	days  []dayTotal
}

func (c *committing) run(b *Batch) (err error) {
	if c.tx, err = c.d.write.BeginTx(c.ctx, nil); err != nil {
		return fmt.Errorf("beginning: %w", err)
	}
	defer func() { _ = c.tx.Rollback() }() // does nothing once committed
	for i := range b.Cycles {
		if err := c.cycle(&b.Cycles[i]); err != nil {
			return fmt.Errorf("storing a cycle of %s: %w", b.Cycles[i].Brake, err)
		}
	}
	if err := c.addDays(); err != nil {
		return err
	}
	for i := range b.Verdicts {
		if err := c.verdict(&b.Verdicts[i]); err != nil {
			return fmt.Errorf("storing the verdict on %s: %w", b.Verdicts[i].Brake, err)
		}
	}
	for i := range b.Forecasts {
		if err := c.forecast(&b.Forecasts[i]); err != nil {
			return fmt.Errorf("storing a forecast for %s: %w", b.Forecasts[i].Brake, err)
		}
	}
	for i := range b.Alarms {
		if err := c.alarm(&b.Alarms[i]); err != nil {
			return fmt.Errorf("storing an alarm of %s: %w", b.Alarms[i].Brake, err)
		}
	}
	for i := range b.Waveforms {
		if err := c.waveform(&b.Waveforms[i]); err != nil {
			return fmt.Errorf("storing a waveform of %s: %w", b.Waveforms[i].Brake, err)
		}
	}
	for i := range b.Ledger {
		if err := c.entry(&b.Ledger[i]); err != nil {
			return fmt.Errorf("storing an entry for %s: %w", b.Ledger[i].Brake, err)
		}
	}
	for i := range b.Checks {
		if err := c.workCheck(&b.Checks[i]); err != nil {
			return fmt.Errorf("storing how work on %s turned out: %w", b.Checks[i].Brake, err)
		}
	}
	for i := range b.Offers {
		if err := c.offer(&b.Offers[i]); err != nil {
			return fmt.Errorf("storing a step of %s: %w", b.Offers[i].Brake, err)
		}
	}
	for i := range b.Learned {
		if err := c.learned(&b.Learned[i]); err != nil {
			return fmt.Errorf("storing what %s has learned: %w", b.Learned[i].Brake, err)
		}
	}
	return c.tx.Commit()
}

// undo takes back what a failed transaction left in memory.
func (c *committing) undo(b *Batch) {
	for _, name := range c.added {
		delete(c.d.brakes, name)
	}
	for i := range b.Cycles {
		b.Cycles[i].ID = 0
	}
	for i := range b.Verdicts {
		b.Verdicts[i].Rev = 0
	}
	for i := range b.Forecasts {
		b.Forecasts[i].ID = 0
	}
	for i := range b.Alarms {
		b.Alarms[i].ID = 0
	}
	for i := range b.Ledger {
		b.Ledger[i].ID = 0
	}
}

func (c *committing) exec(st *sql.Stmt, args ...any) (sql.Result, error) {
	return c.tx.StmtContext(c.ctx, st).ExecContext(c.ctx, args...)
}

// brake is the number of a brake, which a new one gets here.
func (c *committing) brake(name string) (int64, error) {
	if id, ok := c.d.brakes[name]; ok {
		return id, nil
	}
	var id int64
	if err := c.tx.StmtContext(c.ctx, c.d.st.addBrake).QueryRowContext(c.ctx, name).Scan(&id); err != nil {
		return 0, fmt.Errorf("adding the brake: %w", err)
	}
	c.d.brakes[name] = id
	c.added = append(c.added, name)
	return id, nil
}

func (c *committing) cycle(r *CycleRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	res, err := c.exec(c.d.st.addCycle, brake, c.next.cycle, r.AtNS, r.OnNS, int64(r.Kind), int64(r.Flags),
		figure(r.GapMM), figure(r.GapUMM), figure(r.GapUCalMM), figure(r.ReleaseS), figure(r.ReleaseUS),
		figure(r.SetS), figure(r.SetUS), figure(r.SetLevelMM), figure(r.ReleasedLevelMM), figure(r.TemperatureC))
	if err != nil {
		return err
	}
	stored, err := res.RowsAffected()
	if err != nil {
		return err
	}
	if stored == 0 {
		return c.tx.StmtContext(c.ctx, c.d.st.findCycle).QueryRowContext(c.ctx, brake, r.AtNS).Scan(&r.ID)
	}
	r.ID = c.next.cycle
	c.next.cycle++
	day := c.day(brake, dayOf(r.AtNS))
	if r.Kind == analysis.Jog {
		day.jogs++
	} else {
		day.full++
	}
	if analysis.Has(r.GapMM) {
		day.add(gaps{r.AtNS, r.AtNS, r.GapMM, r.GapMM, r.GapMM, 1})
	}
	return nil
}

// dayTotal is what a commit adds to a brake's day.
type dayTotal struct {
	brake, day int64
	full, jogs int64
	gaps
}

// day finds the total of a brake's day, most often the latest.
func (c *committing) day(brake, day int64) *dayTotal {
	for i := len(c.days) - 1; i >= 0; i-- {
		if d := &c.days[i]; d.brake == brake && d.day == day {
			return d
		}
	}
	c.days = append(c.days, dayTotal{brake: brake, day: day})
	return &c.days[len(c.days)-1]
}

func (c *committing) addDays() error {
	for _, d := range c.days {
		var least, most, first, last any
		if d.count > 0 {
			least, most, first, last = d.minMM, d.maxMM, d.firstNS, d.lastNS
		}
		if _, err := c.exec(c.d.st.addDay, d.brake, d.day, d.full, d.jogs, d.count, d.sumMM, least, most, first, last); err != nil {
			return fmt.Errorf("adding up a day: %w", err)
		}
	}
	return nil
}

// dayNS is a UTC day.
const dayNS = int64(24 * time.Hour)

// dayOf is the UTC day that a time falls in, counted from 1970.
func dayOf(atNS int64) int64 {
	day := atNS / dayNS
	if atNS%dayNS < 0 {
		day--
	}
	return day
}

func (c *committing) verdict(r *VerdictRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	r.Rev = c.next.rev
	c.next.rev++
	_, err = c.exec(c.d.st.putVerdict, brake, r.Rev, r.AtNS, int64(r.State), figure(r.GapMM), figure(r.GapUMM),
		figure(r.ReleaseS), figure(r.ReleaseUS), figure(r.SetS), figure(r.SetUS), r.Full, r.Jogs)
	return err
}

// forecast stores a forecast. One of the same brake, limit and time as the
// latest is told once more, at a stop say: where it says the same it is the same
// row, and else it takes the other's place. So each has a time of its own, by
// which far ends keep it.
func (c *committing) forecast(r *ForecastRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	before, err := scanForecast(c.tx.StmtContext(c.ctx, c.d.st.findForecast).QueryRowContext(c.ctx, brake, r.Limit))
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("looking for the latest: %w", err)
	}
	again := err == nil && before.AtNS == r.AtNS
	if again && sameForecast(before.Forecast, r.Forecast) {
		r.ID = before.ID
		return nil
	}
	r.ID = c.next.forecast
	c.next.forecast++
	_, err = c.exec(c.d.st.addForecast, brake, r.ID, r.AtNS, r.Limit, figure(r.LimitMM), figure(r.GapMM), figure(r.GapUMM),
		figure(r.WearUMPerK), figure(r.WearUUMPerK),
		figure(r.Cycles.P05), figure(r.Cycles.P50), figure(r.Cycles.P95),
		figure(r.DateNS.P05), figure(r.DateNS.P50), figure(r.DateNS.P95))
	if err != nil {
		return err
	}
	if _, err := c.exec(c.d.st.latestForecast, brake, r.Limit, r.ID); err != nil || !again {
		return err
	}
	_, err = c.exec(c.d.st.dropForecast, before.ID)
	return err
}

// sameForecast reports whether two forecasts say the same, to the bit.
func sameForecast(a, b analysis.Forecast) bool {
	figures := func(f analysis.Forecast) [11]float64 {
		return [...]float64{f.LimitMM, f.GapMM, f.GapUMM, f.WearUMPerK, f.WearUUMPerK, f.Cycles.P05, f.Cycles.P50, f.Cycles.P95, f.DateNS.P05, f.DateNS.P50, f.DateNS.P95}
	}
	x, y := figures(a), figures(b)
	for i := range x {
		if x[i] != y[i] && !(math.IsNaN(x[i]) && math.IsNaN(y[i])) {
			return false
		}
	}
	return a.AtNS == b.AtNS && a.Limit == b.Limit
}

// aMoment is how close two like changes of one alarm may be that were told at
// one time.
const aMoment = int64(time.Microsecond)

// alarm stores a change. A like change of the same alarm at the same time, two
// faults of the gateway in one turn say, comes a nanosecond after the one
// before: each has a time of its own, by which far ends keep it.
func (c *committing) alarm(r *AlarmRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	var atNS, change int64
	err = c.tx.StmtContext(c.ctx, c.d.st.findAlarm).QueryRowContext(c.ctx, brake, r.Device, string(r.Condition)).Scan(&atNS, &change)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("looking for the latest change: %w", err)
	}
	if err == nil && change == int64(r.Change) && atNS >= r.AtNS && atNS-r.AtNS < aMoment {
		r.AtNS = atNS + 1
	}
	r.ID = c.next.alarm
	c.next.alarm++
	_, err = c.exec(c.d.st.addAlarm, brake, r.ID, r.AtNS, string(r.Condition), int64(r.Change), int64(r.State), r.SinceNS,
		figure(r.Value), figure(r.U), figure(r.Limit), r.Unit, r.Signal, r.By, r.Detail,
		r.Device, int64(r.Marks), r.CalledNS, r.UntilNS, r.Reason)
	if err != nil {
		return err
	}
	_, err = c.exec(c.d.st.latestAlarm, brake, r.Device, string(r.Condition), r.ID)
	return err
}

func (c *committing) waveform(r *WaveformRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	points, err := c.d.packer.pack(r.Waveform)
	if err != nil {
		return err
	}
	if _, err := c.exec(c.d.st.dropWaveform, brake, r.CycleAtNS); err != nil {
		return err
	}
	_, err = c.exec(c.d.st.putWaveform, brake, r.CycleAtNS, r.OffNS, points, int64(alerts.Raised))
	return err
}

// Package export tells plant systems what the store holds: Prometheus by being
// asked, InfluxDB and MQTT by delivering row after row from saved cursors.
//
// There is one delivery loop, [Run], and a [Sink] for each far end. The store
// is the only queue: a cursor moves when the far end has confirmed, so an
// outage, however long, loses nothing and a restart sends again rather than
// not at all.
package export

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"time"

	"gapward/gateway/store"
)

// Wants says which rows a sink is given.
type Wants struct {
	Cycles    bool
	Verdicts  bool
	Forecasts bool
	Alarms    bool

	// History: at its very first start the sink is also given what was stored
	// before. A database wants that; whoever wakes people does not. The latest
	// verdicts come in any case, for they are the state of today.
	History bool
}

// Rows are what a sink is given at a time, each sort in the order of ids.
type Rows struct {
	Alarms    []store.AlarmRow
	Verdicts  []store.VerdictRow // the latest of each brake that has a new one
	Forecasts []store.ForecastRow
	Cycles    []store.CycleRow
}

// Len is the number of rows.
func (r Rows) Len() int { return len(r.Alarms) + len(r.Verdicts) + len(r.Forecasts) + len(r.Cycles) }

// first gives the first n rows, alarms before all others.
func (r Rows) first(n int) Rows {
	var f Rows
	f.Alarms, n = split(r.Alarms, n)
	f.Verdicts, n = split(r.Verdicts, n)
	f.Forecasts, n = split(r.Forecasts, n)
	f.Cycles, _ = split(r.Cycles, n)
	return f
}

func split[R any](rows []R, n int) (first []R, left int) {
	first = rows[:min(n, len(rows))]
	return first, n - len(first)
}

// without drops the rows that [Rows.first] gave.
func (r Rows) without(f Rows) Rows {
	return Rows{r.Alarms[len(f.Alarms):], r.Verdicts[len(f.Verdicts):], r.Forecasts[len(f.Forecasts):], r.Cycles[len(f.Cycles):]}
}

// Sink is a far end.
//
//   - Deliver returns nil only when the far end has confirmed every row. It is
//     called from one goroutine and obeys its context.
//   - It may be given rows that it has been given before, after a failure or a
//     restart, and writes them so that twice is the same as once: the row's id
//     or its time is the key.
//   - An error that wraps [Refused] says that the far end will never take some
//     of these rows. The loop finds out which, sets them aside and goes on.
//   - Any other error is temporary: the loop keeps the rows and tries again,
//     after the time that a wrapped [Busy] asks for or a back-off of its own.
type Sink interface {
	Name() string // "influx", "mqtt": the cursors and metrics bear it
	Wants() Wants
	Deliver(ctx context.Context, rows Rows) error
}

// Refused is the error of rows that the far end will never take.
type Refused struct{ Err error }

func (e *Refused) Error() string { return "refused for good: " + e.Err.Error() }

// Unwrap gives the far end's own words.
func (e *Refused) Unwrap() error { return e.Err }

// Busy is a temporary error with the far end's wish when to come again.
type Busy struct {
	Err   error
	After time.Duration
}

func (e *Busy) Error() string { return fmt.Sprintf("%v; try again in %v", e.Err, e.After) }

// Unwrap gives the far end's own words.
func (e *Busy) Unwrap() error { return e.Err }

// Progress is how a sink fares.
type Progress struct {
	Exporter  string
	Backlog   int64 // cycles, forecasts and alarms not yet delivered
	Delivered int64 // rows since the start
	SetAside  int64 // rows since the start that the far end refused for good
	Err       error // why the latest attempt failed; nil when it didn't
}

// Times of the delivery loop.
const (
	firstWait    = time.Second      // after a temporary error …
	longestWait  = time.Minute      // … doubling up to this
	deliverLimit = 30 * time.Second // for one delivery
	lookAnyway   = time.Minute      // for what other processes stored
	remindEvery  = time.Hour        // an outage is logged again
)

// batchSize is how many rows a sink is given at most.
const batchSize = 500

// Run delivers to a sink until ctx ends, and then returns nil: what is left
// stays in the store. After every attempt it calls observe, which must not
// block.
func Run(ctx context.Context, db *store.DB, sink Sink, lg *slog.Logger, observe func(Progress)) error {
	d := newDelivery(db, sink, lg, observe)
	wait := firstWait
	var failingSince, told time.Time
	for {
		changed := db.Changed() // before reading, to miss nothing
		more, err := d.step(ctx)
		if ctx.Err() != nil {
			return nil
		}
		pause, wake := time.Duration(0), (<-chan struct{})(nil)
		switch {
		case err != nil:
			now := time.Now()
			if failingSince.IsZero() {
				failingSince = now
			}
			if told.IsZero() || now.Sub(told) >= remindEvery {
				told = now
				d.lg.Warn("delivery fails; the rows are kept and tried again", "error", err, "backlog", d.progress.Backlog, "failing_for", now.Sub(failingSince))
			}
			if busy, ok := errors.AsType[*Busy](err); ok {
				pause = min(max(busy.After, firstWait), 10*longestWait)
			} else {
				// Somewhere in the upper half, so that many gateways don't come
				// back at the same moment.
				pause = wait/2 + rand.N(wait/2)
				wait = min(2*wait, longestWait)
			}
		case !failingSince.IsZero():
			d.lg.Info("delivery works again", "backlog", d.progress.Backlog, "failed_for", time.Since(failingSince))
			failingSince, told, wait = time.Time{}, time.Time{}, firstWait
			continue
		case more:
			continue
		default:
			pause, wake = lookAnyway, changed
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-wake:
			timer.Stop()
		case <-timer.C:
		}
	}
}

// Flush delivers what is in the store, until nothing is left or something goes
// wrong. It is for the last seconds of the daemon, after [Run] has returned.
func Flush(ctx context.Context, db *store.DB, sink Sink, lg *slog.Logger, observe func(Progress)) error {
	d := newDelivery(db, sink, lg, observe)
	for {
		more, err := d.step(ctx)
		if err != nil {
			return fmt.Errorf("delivering the last rows to %s: %w", sink.Name(), err)
		}
		if !more {
			return nil
		}
	}
}

// delivery is the loop's state.
type delivery struct {
	db       *store.DB
	sink     Sink
	wants    Wants
	lg       *slog.Logger
	observe  func(Progress)
	progress Progress
	at       *position // nil until read
	size     int       // rows to try at a time: few after a refusal
}

func newDelivery(db *store.DB, sink Sink, lg *slog.Logger, observe func(Progress)) *delivery {
	return &delivery{
		db: db, sink: sink, wants: sink.Wants(), size: batchSize, observe: observe,
		lg: lg.With("exporter", sink.Name()), progress: Progress{Exporter: sink.Name()},
	}
}

// step reads up to a batch of rows and delivers them. more is true where there
// may be others.
func (d *delivery) step(ctx context.Context) (more bool, err error) {
	defer func() {
		if ctx.Err() != nil && err != nil {
			return // stopping is no failure
		}
		d.progress.Err = err
		if backlog, countErr := d.backlog(ctx); countErr == nil {
			d.progress.Backlog = backlog
		}
		d.observe(d.progress)
	}()
	if d.at == nil {
		at, err := loadPosition(ctx, d.db, d.sink.Name(), d.wants)
		if err != nil {
			return false, err
		}
		d.at = &at
	}
	rows, err := d.at.read(ctx, d.db, d.wants)
	if err != nil {
		return false, err
	}
	more = rows.Len() >= batchSize
	for rows.Len() > 0 {
		part := rows.first(d.size)
		err := d.deliver(ctx, part)
		refused, ok := errors.AsType[*Refused](err)
		switch {
		case err == nil:
			d.progress.Delivered += int64(part.Len())
			d.size = min(2*d.size, batchSize)
		case !ok:
			return false, err
		case part.Len() > 1:
			// One bad row among good ones is found by halving; where all are
			// bad the size stays at one, and costs one attempt each.
			d.size = max(1, part.Len()/2)
			continue
		default:
			d.progress.SetAside++
			d.lg.Error("a row is refused for good and set aside: it stays in the database and is not delivered", "row", describe(part), "error", refused.Err)
		}
		next := d.at.after(part)
		if err := next.save(ctx, d.db, d.sink.Name(), *d.at); err != nil {
			return false, err
		}
		*d.at = next
		rows = rows.without(part)
	}
	return more, nil
}

func (d *delivery) deliver(ctx context.Context, rows Rows) error {
	ctx, cancel := context.WithTimeout(ctx, deliverLimit)
	defer cancel()
	return d.sink.Deliver(ctx, rows)
}

func (d *delivery) backlog(ctx context.Context) (int64, error) {
	if d.at == nil {
		return 0, errors.New("not begun")
	}
	newest, err := d.db.Newest(ctx)
	if err != nil {
		return 0, err
	}
	return d.at.backlog(newest, d.wants), nil
}

// describe names a single row for the log.
func describe(r Rows) string {
	switch {
	case len(r.Alarms) > 0:
		return fmt.Sprintf("alarm %d", r.Alarms[0].ID)
	case len(r.Verdicts) > 0:
		return "verdict on " + r.Verdicts[0].Brake
	case len(r.Forecasts) > 0:
		return fmt.Sprintf("forecast %d", r.Forecasts[0].ID)
	}
	return fmt.Sprintf("cycle %d", r.Cycles[0].ID)
}

package gateway

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"gapward/gateway/store"
	"gapward/sensors"
)

// owner is the one goroutine that runs the pipeline and writes the store.
type owner struct {
	pipeline *Pipeline
	order    order
	keepers  []sensors.Keeper // sources whose far end waits to hear what is durable
	db       *store.DB
	recorder *sensors.SampleDirectory // nil when nothing is recorded
	watch    *watch
	faults   faults
	log      *slog.Logger
	entries  <-chan entering
	acts     <-chan acting
	// committed is told of each batch once it is durable
	committed func(*store.Batch)
	// signals is called now and then with the pipeline at rest
	signals func(*Pipeline)
	// setBack is called when the machine's clock was set back by far
	setBack func()
	wall    func(time.Time) time.Time // see Options

	clock   clock
	batch   store.Batch
	ready   []sensors.Sample
	failing bool
	renewal renewal
	upkeep  upkeep
	late    lateCount

	// by the time that has passed
	lookAt  time.Duration
	retryAt time.Duration
}

const (
	turnEvery    = 25 * time.Millisecond
	lookEvery    = 250 * time.Millisecond
	retryEvery   = 2 * time.Second
	mostUnstored = 20000 // rows kept in memory while the store takes none
	mostAlarms   = 5000
	mostWaves    = 256
)

// run goes on until last is closed, and then takes what has been sent and brings
// to an end what is under way.
func (o *owner) run(ctx context.Context, in <-chan arrival, last <-chan struct{}) {
	ticker := time.NewTicker(turnEvery)
	defer ticker.Stop()
	began := time.Now()
	for {
		select {
		case <-last:
			o.gather(in, time.Since(began))
			now := time.Now()
			o.end(ctx, o.momentOf(now, began))
			return
		case a := <-in:
			o.order.add(a, time.Since(began))
		case e := <-o.entries:
			o.enter(ctx, e, o.momentOf(time.Now(), began))
		case a := <-o.acts:
			o.act(ctx, a, o.momentOf(time.Now(), began))
		case now := <-ticker.C:
			o.gather(in, time.Since(began))
			o.turn(ctx, o.momentOf(now, began))
		}
	}
}

// gather takes what has come while a turn took long, on a slow card say. Else
// that time would seem to have passed in silence, and what was measured in it
// would be too late.
func (o *owner) gather(in <-chan arrival, passed time.Duration) {
	for range len(in) {
		o.order.add(<-in, passed)
	}
}

// turn takes what can be put in order by now through the pipeline.
func (o *owner) turn(ctx context.Context, m moment) {
	nowNS, step := o.clock.read(m)
	if step != 0 {
		o.stepped(step, nowNS, m.passed)
	}
	o.ready = o.order.ready(nowNS, m.passed, o.ready[:0])
	o.ready = o.order.tick(nowNS, m.passed, o.ready)
	o.take(ctx, nowNS, m.passed)
	o.watch.turn()
	if m.passed < o.lookAt {
		return
	}
	o.lookAt = m.passed + lookEvery
	o.signals(o.pipeline)
	o.look(ctx, nowNS, m.passed)
	if o.recorder != nil {
		if err := o.recorder.Flush(); err != nil {
			o.log.Error("recording", "error", err)
		}
	}
}

// take records the ready samples, runs them through the pipeline and stores
// what they cause.
func (o *owner) take(ctx context.Context, nowNS int64, passed time.Duration) {
	if o.recorder != nil && len(o.ready) > 0 {
		if err := o.recorder.Write(o.ready); err != nil {
			o.log.Error("recording; samples are missing from the recording", "error", err)
		}
	}
	o.pipeline.Step(o.ready, &o.batch)
	o.commit(ctx, nowNS, passed)
	if o.batch.Empty() { // all that was caused up to here is durable
		for _, k := range o.keepers {
			k.Confirm(o.order.doneNS)
		}
	}
}

// commit stores the batch. While the store takes nothing, measuring goes on and
// the batch grows, up to a bound.
func (o *owner) commit(ctx context.Context, nowNS int64, passed time.Duration) {
	if o.batch.Empty() || o.failing && passed < o.retryAt {
		return
	}
	o.batch.Learned = o.pipeline.Learned(o.batch.Learned[:0])
	// What was measured is stored even if the daemon is being stopped.
	err := o.db.Commit(context.WithoutCancel(ctx), &o.batch)
	o.watch.stored(err, time.Unix(0, nowNS))
	if err != nil {
		if !o.failing {
			o.log.Error("storing; measuring goes on and it is tried again", "error", err)
			o.happened(storeFails, "the database takes nothing: "+err.Error(), nowNS)
		}
		o.failing, o.retryAt = true, passed+retryEvery
		o.shed(nowNS)
		return
	}
	o.pipeline.Saved()
	o.committed(&o.batch)
	cycles := len(o.batch.Cycles)
	o.batch.Reset()
	if o.failing {
		o.failing = false
		o.log.Info("storing works again", "cycles", cycles)
		o.tell(o.faults.over(storeFails, nowNS))
	}
}

// shed gives up the oldest rows, and of what is replaced anyway all but the
// newest, when the store has taken nothing for too long.
func (o *owner) shed(nowNS int64) {
	b := &o.batch
	b.Verdicts, _ = newest(b.Verdicts, mostUnstored)
	b.Waveforms, _ = newest(b.Waveforms, mostWaves)
	b.Checks, _ = newest(b.Checks, mostAlarms)
	b.Offers, _ = newest(b.Offers, mostAlarms)
	var cycles, others, n int
	b.Cycles, cycles = newest(b.Cycles, mostUnstored)
	b.Forecasts, others = newest(b.Forecasts, mostUnstored)
	b.Alarms, n = newest(b.Alarms, mostAlarms)
	if others += n; cycles+others == 0 {
		return
	}
	lostCycles, lostOthers := o.watch.lose(int64(cycles), int64(others))
	o.log.Error("the store has taken nothing for too long; the oldest rows are lost", "cycles", cycles, "forecasts_and_alarms", others)
	o.happened(rowsLost, fmt.Sprintf("%d cycles and %d forecasts and alarms since the start were lost while the database took nothing", lostCycles, lostOthers), nowNS)
}

// newest keeps the last rows, so many at most.
func newest[R any](rows []R, most int) (kept []R, lost int) {
	if lost = len(rows) - most; lost <= 0 {
		return rows, 0
	}
	return append(rows[:0], rows[lost:]...), lost
}

// end takes what is still held back, closes open cycles and stores them.
func (o *owner) end(ctx context.Context, m moment) {
	nowNS, _ := o.clock.read(m)
	o.ready = o.order.all(o.ready[:0])
	o.take(ctx, nowNS, m.passed)
	o.pipeline.Flush(&o.batch)
	o.pipeline.LearnedAll()
	o.batch.Learned = o.pipeline.Learned(o.batch.Learned[:0])
	o.retryAt = m.passed
	o.commit(ctx, nowNS, m.passed)
	o.commit(ctx, nowNS, m.passed) // that storing works again, if it does
	if n := len(o.batch.Cycles); n > 0 {
		o.log.Error("the store takes nothing to the end; cycles are lost", "cycles", n)
	}
	if o.recorder != nil {
		if err := o.recorder.Close(); err != nil {
			o.log.Error("closing the recording", "error", err)
		}
	}
}

package gateway

import (
	"context"
	"log/slog"
	"time"

	"gapward/gateway/store"
	"gapward/sensors"
)

// owner is the one goroutine that runs the pipeline and writes the store.
type owner struct {
	pipeline *Pipeline
	order    order
	db       *store.DB
	recorder *sensors.SampleDirectory // nil when nothing is recorded
	watch    *watch
	log      *slog.Logger
	entries  <-chan entering
	// committed is told of each batch once it is durable
	committed func(*store.Batch)
	// signals is called now and then with the pipeline at rest
	signals func(*Pipeline)

	batch     store.Batch
	ready     []sensors.Sample
	lookedAt  time.Time
	failing   bool
	retryAt   time.Time
	lateSoFar int64
}

const (
	turnEvery    = 25 * time.Millisecond
	lookEvery    = 250 * time.Millisecond
	retryEvery   = 2 * time.Second
	mostUnstored = 20000 // rows kept in memory while the store takes none
)

// run goes on until in is closed, and then brings to an end what is under way.
func (o *owner) run(ctx context.Context, in <-chan arrival) {
	ticker := time.NewTicker(turnEvery)
	defer ticker.Stop()
	for {
		select {
		case a, open := <-in:
			if !open {
				o.end(ctx)
				return
			}
			o.order.add(a)
		case e := <-o.entries:
			o.enter(ctx, e)
		case now := <-ticker.C:
			o.turn(ctx, now)
		}
	}
}

// turn takes what can be put in order by now through the pipeline.
func (o *owner) turn(ctx context.Context, now time.Time) {
	o.ready = o.order.ready(now.UnixNano(), o.ready[:0])
	o.ready = o.order.tick(now.UnixNano(), o.ready)
	o.take(ctx, now)
	o.watch.turned.Store(now.UnixNano())
	if now.Sub(o.lookedAt) < lookEvery {
		return
	}
	o.lookedAt = now
	o.signals(o.pipeline)
	if o.order.late > o.lateSoFar {
		o.log.Warn("samples came too late to be put in order and were left out", "samples", o.order.late-o.lateSoFar, "since_start", o.order.late)
		o.lateSoFar = o.order.late
		o.watch.late.Store(o.order.late)
	}
	if o.recorder != nil {
		if err := o.recorder.Flush(); err != nil {
			o.log.Error("recording", "error", err)
		}
	}
}

// take records the ready samples, runs them through the pipeline and stores
// what they cause.
func (o *owner) take(ctx context.Context, now time.Time) {
	if o.recorder != nil && len(o.ready) > 0 {
		if err := o.recorder.Write(o.ready); err != nil {
			o.log.Error("recording; samples are missing from the recording", "error", err)
		}
	}
	o.pipeline.Step(o.ready, &o.batch)
	o.commit(ctx, now)
}

// commit stores the batch. While the store takes nothing, measuring goes on and
// the batch grows, up to a bound.
func (o *owner) commit(ctx context.Context, now time.Time) {
	if o.batch.Empty() || o.failing && now.Before(o.retryAt) {
		return
	}
	// What was measured is stored even if the daemon is being stopped.
	err := o.db.Commit(context.WithoutCancel(ctx), &o.batch)
	o.watch.stored(err, now)
	if err != nil {
		if !o.failing {
			o.log.Error("storing; measuring goes on and it is tried again", "error", err)
		}
		o.failing, o.retryAt = true, now.Add(retryEvery)
		o.shed()
		return
	}
	if o.failing {
		o.failing = false
		o.log.Info("storing works again", "cycles", len(o.batch.Cycles))
	}
	o.committed(&o.batch)
	o.batch.Reset()
}

// shed gives up the oldest cycles and all but the newest of what is replaced
// anyway, when the store has taken nothing for too long.
func (o *owner) shed() {
	b := &o.batch
	if n := len(b.Verdicts) - mostUnstored; n > 0 {
		b.Verdicts = append(b.Verdicts[:0], b.Verdicts[n:]...)
	}
	if n := len(b.Waveforms) - 256; n > 0 {
		b.Waveforms = append(b.Waveforms[:0], b.Waveforms[n:]...)
	}
	n := len(b.Cycles) - mostUnstored
	if n <= 0 {
		return
	}
	b.Cycles = append(b.Cycles[:0], b.Cycles[n:]...)
	o.watch.mu.Lock()
	o.watch.lost += int64(n)
	o.watch.mu.Unlock()
	o.log.Error("the store has taken nothing for too long; the oldest cycles are lost", "cycles", n)
}

// end takes what is still held back, closes open cycles and stores them.
func (o *owner) end(ctx context.Context) {
	o.ready = o.order.ready(int64(^uint64(0)>>1), o.ready[:0])
	now := time.Now()
	o.take(ctx, now)
	o.pipeline.Flush(&o.batch)
	o.retryAt = now
	o.commit(ctx, now)
	if o.recorder != nil {
		if err := o.recorder.Close(); err != nil {
			o.log.Error("closing the recording", "error", err)
		}
	}
}

package gateway

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"gapward/gateway/store"
)

// renewal is when the database was last opened anew while the daemon runs.
type renewal struct {
	at   time.Duration // not before: after a failure
	last time.Duration // 0: never
}

const (
	renewRetry = 5 * time.Second
	// A file that reads as sound and was met damaged twice within this is taken
	// for damaged.
	renewTrust = time.Hour
)

// lookAtFile opens the database anew where a read or write met damage, or
// somebody took the file away. Measuring has to wait for that; what is sent
// meanwhile waits in the channels.
func (o *owner) lookAtFile(ctx context.Context, nowNS int64, passed time.Duration) {
	r := &o.renewal
	if passed < r.at {
		return
	}
	damaged, gone := o.db.Suspected()
	if !damaged && !gone {
		return
	}
	again := damaged && !gone && r.last > 0 && passed-r.last < renewTrust
	got, err := o.db.Renew(context.WithoutCancel(ctx), again)
	if err != nil {
		r.at = passed + renewRetry
		o.log.Error("opening the damaged database anew; it is tried again", "error", err)
		o.happened(storeFails, "the database can't be opened anew: "+err.Error(), nowNS)
		o.failing, o.retryAt = true, passed+retryEvery
		o.watch.stored(err, time.Unix(0, nowNS))
		return
	}
	if o.retryAt = 0; damaged {
		r.last = passed
	}
	switch {
	case got.Aside != "":
		detail := "the database was damaged while gapward ran and is set aside as " + filepath.Base(got.Aside) + "; history begins anew"
		if got.Entries > 0 {
			detail += fmt.Sprintf(", with %d entries of the ledger saved", got.Entries)
		}
		o.happened(setAside, detail, nowNS)
	case got.Empty:
		o.log.Error("the database's file is gone; an empty one takes its place", "database", o.db.Path())
		o.happened(setAside, "the database was taken away while gapward ran; history begins anew in an empty one", nowNS)
	default:
		o.log.Warn("the database was met damaged, and reads as sound; it goes on", "database", o.db.Path())
		return
	}
	o.pipeline.Retell(nowNS, &o.batch)
}

// Retell adds to batch how each brake stands, for a store that has lost it: the
// latest verdicts and forecasts, what was learned, and the alarms that stand,
// which are told anew.
func (p *Pipeline) Retell(nowNS int64, batch *store.Batch) {
	p.LearnedAll()
	for i := range p.lines {
		l := &p.lines[i]
		if v := l.brake.Verdict(); v.AtNS != 0 {
			batch.Verdicts = append(batch.Verdicts, store.VerdictRow{Brake: l.name, Verdict: v})
		}
		if f := l.brake.Latest(); f.AtNS != 0 {
			batch.Forecasts = append(batch.Forecasts, store.ForecastRow{Brake: l.name, Forecast: f})
		}
		for k := range p.kinds {
			next, e, changed := l.alarm(&p.kinds[k]).Again(nowNS)
			p.note(l, &p.kinds[k], next, e, changed, batch)
		}
	}
	for i := range p.bells.devices {
		d := &p.bells.devices[i]
		next, e, changed := d.Again(nowNS)
		p.noteDevice(d, next, e, changed, batch)
		p.wakeNS = min(p.wakeNS, d.WakeNS(d.rule))
	}
}

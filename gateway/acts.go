package gateway

import (
	"context"
	"errors"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/page"
	"gapward/gateway/store"
)

// acting is an act on an alarm on its way to the owner.
type acting struct {
	act  page.Act
	done chan<- acted // takes one without waiting
}

// acted is what became of it.
type acted struct {
	event alerts.Event
	err   error
}

// Act has the owner do something to an alarm: it alone runs the pipeline.
func (d *desk) Act(ctx context.Context, a page.Act) (alerts.Event, error) {
	ctx, cancel := context.WithTimeout(ctx, enterWithin)
	defer cancel()
	done := make(chan acted, 1)
	select {
	case d.acts <- acting{a, done}:
	case <-d.ended:
		return alerts.Event{}, errors.New("the daemon is stopping")
	case <-ctx.Done():
		return alerts.Event{}, errors.New("the daemon is too busy")
	}
	r := <-done // the owner answers what it has taken
	return r.event, r.err
}

// act does something to an alarm and stores that with whatever else waits. If
// the store takes nothing just then, it waits there with its true time: a
// person who has seen an alarm has seen it.
func (o *owner) act(ctx context.Context, a acting, m moment) {
	nowNS, _ := o.clock.read(m)
	e, ok := o.pipeline.Act(a.act, nowNS, &o.batch)
	if a.act.Key == (alerts.Key{Condition: analysis.GatewayFault}) {
		if e, ok = o.faults.act(a.act, nowNS); ok {
			o.tell(e, true)
		}
	}
	if !ok {
		a.done <- acted{err: page.ErrNothingToDo}
		return
	}
	o.log.Info("alarm "+e.Change.String(), "brake", e.Brake, "device", e.Device, "condition", e.Condition, "by", e.By, "reason", e.Reason)
	o.commit(ctx, nowNS, m.passed)
	a.done <- acted{event: e}
}

// Act does something to one alarm; ok is false where there was nothing to do.
func (p *Pipeline) Act(a page.Act, nowNS int64, batch *store.Batch) (e alerts.Event, ok bool) {
	was := len(batch.Alarms)
	switch {
	case a.Key.Brake != "":
		p.eachAlarm(a.Key.Brake, func(l *line, k *kind) {
			if k.condition == a.Key.Condition {
				next, e, changed := do(l.alarm(k), a, nowNS)
				p.note(l, k, next, e, changed, batch)
			}
		})
	case a.Key.Device != "":
		for i := range p.bells.devices {
			if d := &p.bells.devices[i]; d.name == a.Key.Device && a.Key.Condition == alerts.DeviceSilent {
				next, e, changed := do(d.Alarm, a, nowNS)
				p.noteDevice(d, next, e, changed, batch)
				p.wakeNS = min(p.wakeNS, d.WakeNS(d.rule))
			}
		}
	default:
		for i := range p.bells.guards {
			if g := &p.bells.guards[i]; g.Condition() == a.Key.Condition {
				next, e, changed := do(*g.Alarm(), a, nowNS)
				if *g.Alarm() = next; changed {
					batch.Alarms = append(batch.Alarms, store.AlarmRow{Event: e})
				}
			}
		}
	}
	if len(batch.Alarms) == was {
		return alerts.Event{}, false
	}
	return batch.Alarms[was].Event, true
}

func (f *faults) act(a page.Act, nowNS int64) (e alerts.Event, changed bool) {
	f.alarm, e, changed = do(f.alarm, a, nowNS)
	e.Detail = f.detail()
	return e, changed
}

// do is the step of an alarm on what a person does. Only what isn't normal can
// be shelved: an alarm that hasn't come yet is not known to be a nuisance.
func do(a alerts.Alarm, act page.Act, nowNS int64) (next alerts.Alarm, e alerts.Event, changed bool) {
	switch {
	case act.Do == alerts.Acked:
		return a.Acknowledge(nowNS, act.By)
	case act.Do == alerts.ShelvedBy && a.State != alerts.Normal:
		return a.Shelve(nowNS, act.UntilNS, act.By, act.Reason)
	case act.Do == alerts.Unshelved:
		return a.Unshelve(nowNS, act.By)
	}
	return a, alerts.Event{}, false
}

// momentOf is a time by both clocks, for a daemon that began then.
func (o *owner) momentOf(now, began time.Time) moment {
	passed := now.Sub(began)
	if o.wall != nil {
		now = o.wall(now)
	}
	return moment{now.UnixNano(), passed}
}

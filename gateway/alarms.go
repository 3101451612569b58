package gateway

import (
	"math"
	"slices"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
)

// bells are the alarms of a pipeline that are more than one brake's: those of
// devices, whose silence explains that of their brakes, and the guards against
// floods.
type bells struct {
	settings alerts.Settings
	devices  []deviceBell
	of       [][]int // which device a signal hangs on, by brake and signal; -1: none
	guards   [2]alerts.Guard
}

// deviceBell is a device's alarm.
type deviceBell struct {
	name   string
	brakes []int // that hang on it
	lastNS int64 // when anything was last heard of it
	rule   alerts.Rule
	alerts.Alarm
}

// causeOf is how many brakes must hang on a device before its silence is an
// alarm of its own: with one, the brake's alarm says it all.
const causeOf = 2

// leastGrace is how long a signal has to be heard again after its device.
const leastGrace = 10 * time.Second

// SetAlarms tells the pipeline what the site file says of its alarms, and which
// signal hangs on which device.
func (p *Pipeline) SetAlarms(s alerts.Settings, channels []sensors.Channel) {
	p.bells = bells{settings: s, guards: [2]alerts.Guard{{EscalateAfter: s.EscalateAfter}, {Urgent: true, EscalateAfter: s.EscalateAfter}}}
	for i := range p.kinds {
		p.kinds[i].rule = s.Rule(p.kinds[i].condition)
	}
	for range p.lines {
		hang := make([]int, len(sensors.Signals())+1) // signals count from 1
		for k := range hang {
			hang[k] = -1
		}
		p.bells.of = append(p.bells.of, hang)
	}
	for _, c := range channels {
		if c.Wiring.Device == "" {
			continue // of a recording
		}
		at := slices.IndexFunc(p.bells.devices, func(d deviceBell) bool { return d.name == c.Wiring.Device })
		if at < 0 {
			at = len(p.bells.devices)
			p.bells.devices = append(p.bells.devices, deviceBell{name: c.Wiring.Device, rule: s.Rule(alerts.DeviceSilent)})
		}
		p.bells.of[c.Brake][c.Signal] = at
		if d := &p.bells.devices[at]; !slices.Contains(d.brakes, int(c.Brake)) {
			d.brakes = append(d.brakes, int(c.Brake))
		}
	}
}

// heard takes note that a device has spoken, well or not.
func (p *Pipeline) heard(s sensors.Sample, batch *store.Batch) {
	if p.bells.of == nil {
		return
	}
	at := p.bells.of[s.Brake][s.Signal]
	if at < 0 {
		return
	}
	d := &p.bells.devices[at]
	d.lastNS = s.AtNS
	if d.State != alerts.Normal {
		p.findDevice(d, -1, math.NaN(), s.AtNS, batch)
	}
}

// silent looks whether a signal that has fallen silent did so because its whole
// device has: nothing has been heard of that for as long.
func (p *Pipeline) silent(brake int, f analysis.Finding, batch *store.Batch) {
	if p.bells.of == nil || f.Condition != analysis.SignalStale || f.Excess <= 0 {
		return
	}
	for _, s := range sensors.Signals() {
		if s.String() != f.Signal || p.bells.of[brake][s] < 0 {
			continue
		}
		d := &p.bells.devices[p.bells.of[brake][s]]
		// Not found again after a restart: it stands, and with the figure it had.
		if silence := float64(f.AtNS-d.lastNS) * 1e-9; len(d.brakes) >= causeOf && silence > f.Limit && !(d.lastNS == 0 && d.Stands()) {
			p.findDevice(d, silence, f.Limit, f.AtNS, batch)
		}
	}
}

// findDevice is the step of a device's alarm: silent for so long, or above all
// heard again, which seconds below zero say.
func (p *Pipeline) findDevice(d *deviceBell, seconds, limit float64, atNS int64, batch *store.Batch) {
	f := analysis.Finding{AtNS: atNS, Condition: alerts.DeviceSilent, Excess: -1, Value: 0, U: math.NaN(), Limit: limit, Unit: "s"}
	if seconds > 0 {
		f.Excess, f.Value = 1, seconds
		if d.lastNS == 0 {
			f.Value = math.NaN() // never heard
		}
	}
	next, e, changed := d.Find(f, d.rule)
	p.noteDevice(d, next, e, changed, batch)
	p.wakeNS = min(p.wakeNS, d.WakeNS(d.rule))
}

// noteDevice takes the next step of a device's alarm. While it stands it holds
// back the symptoms of its brakes.
func (p *Pipeline) noteDevice(d *deviceBell, next alerts.Alarm, e alerts.Event, changed bool, batch *store.Batch) {
	d.Alarm = next
	if !changed {
		return
	}
	e.Device = d.name
	switch e.Change {
	case alerts.Raised:
		p.hold(d, e.AtNS, batch)
		p.ring(&d.Alarm, e, batch)
	case alerts.Cleared:
		p.ring(&d.Alarm, e, batch)
		p.letGo(d, e.AtNS, batch)
	default:
		p.ring(&d.Alarm, e, batch)
	}
}

func (p *Pipeline) hold(d *deviceBell, atNS int64, batch *store.Batch) {
	p.eachSymptom(d, func(l *line, k *kind) {
		next, e, changed := l.alarm(k).Suppress(atNS, d.name+" does not answer")
		p.note(l, k, next, e, changed, batch)
	})
}

func (p *Pipeline) letGo(d *deviceBell, atNS int64, batch *store.Batch) {
	p.eachSymptom(d, func(l *line, k *kind) {
		if p.heldByOther(d, l) {
			return
		}
		a := l.alarm(k)
		next, e, changed := a.Unsuppress(atNS, atNS+int64(max(leastGrace, a.Grace())))
		p.note(l, k, next, e, changed, batch)
	})
}

func (p *Pipeline) eachSymptom(d *deviceBell, do func(*line, *kind)) {
	for _, i := range d.brakes {
		for k := range p.kinds {
			if alerts.Symptom(p.kinds[k].condition) {
				do(&p.lines[i], &p.kinds[k])
			}
		}
	}
}

// heldByOther reports whether another silent device explains a brake's symptoms
// as well.
func (p *Pipeline) heldByOther(than *deviceBell, l *line) bool {
	for i := range p.bells.devices {
		d := &p.bells.devices[i]
		if d == than || d.State == alerts.Normal || d.State == alerts.Returned {
			continue
		}
		for _, b := range d.brakes {
			if &p.lines[b] == l {
				return true
			}
		}
	}
	return false
}

// ring stores an event of an alarm, which a flood may keep from being told
// alone.
func (p *Pipeline) ring(a *alerts.Alarm, e alerts.Event, batch *store.Batch) {
	for i := range p.bells.guards {
		g := &p.bells.guards[i]
		if !g.Watches(e) {
			continue
		}
		quiet, own, flooded := g.Came(e)
		if quiet {
			*a, e = a.Quieted(e)
		}
		batch.Alarms = append(batch.Alarms, store.AlarmRow{Event: e})
		if flooded {
			batch.Alarms = append(batch.Alarms, store.AlarmRow{Event: own})
		}
		p.wakeNS = min(p.wakeNS, g.WakeNS())
		return
	}
	batch.Alarms = append(batch.Alarms, store.AlarmRow{Event: e})
}

// kind is that of a condition, nil where no brake has it.
func (p *Pipeline) kind(c analysis.Condition) *kind {
	for i := range p.kinds {
		if p.kinds[i].condition == c {
			return &p.kinds[i]
		}
	}
	return nil
}

// alarm is a brake's alarm of a kind.
func (l *line) alarm(k *kind) alerts.Alarm {
	if at, kept := l.find(k); kept {
		return l.alarms[at].Alarm
	}
	return alerts.Alarm{}
}

// put keeps an alarm in the place of what it was.
func (l *line) put(k *kind, a alerts.Alarm) {
	switch at, kept := l.find(k); {
	case kept && a.Calm():
		l.alarms = slices.Delete(l.alarms, at, at+1)
	case kept:
		l.alarms[at].Alarm = a
	case !a.Calm():
		l.alarms = slices.Insert(l.alarms, at, alarm{k, a})
	}
}

func (l *line) find(k *kind) (at int, kept bool) {
	for at < len(l.alarms) && l.alarms[at].place < k.place {
		at++
	}
	return at, at < len(l.alarms) && l.alarms[at].kind == k
}

// note takes the next step of a brake's alarm.
func (p *Pipeline) note(l *line, k *kind, next alerts.Alarm, e alerts.Event, changed bool, batch *store.Batch) {
	if changed {
		l.learned = true // what was found stands in what was learned
		e.Brake = l.name
		p.ring(&next, e, batch)
	}
	l.put(k, next)
	if changed && e.Change == alerts.Raised {
		p.explain(l, e.AtNS, batch)
	}
	p.wakeNS = min(p.wakeNS, l.alarm(k).WakeNS(k.rule))
}

// explain holds back what graver conditions of a brake explain that stand.
func (p *Pipeline) explain(l *line, atNS int64, batch *store.Batch) {
	p.eachExplained(l, func(k *kind, cause analysis.Condition) {
		if cause != "" {
			next, e, changed := l.alarm(k).Suppress(atNS, alerts.Because(cause))
			p.note(l, k, next, e, changed, batch)
		}
	})
}

// unexplain ends that where no such condition stands any more. It comes after
// all that was found at a time: what cures the graver may cure the lesser too,
// and then nobody is called for that.
func (p *Pipeline) unexplain(l *line, atNS int64, batch *store.Batch) {
	p.explain(l, atNS, batch)
	p.eachExplained(l, func(k *kind, cause analysis.Condition) {
		if cause == "" {
			next, e, changed := l.alarm(k).Unsuppress(atNS, atNS)
			p.note(l, k, next, e, changed, batch)
		}
	})
}

// eachExplained goes through the alarms of a brake that graver conditions may
// explain; cause is the one that does, or empty.
func (p *Pipeline) eachExplained(l *line, do func(k *kind, cause analysis.Condition)) {
	for _, x := range alerts.Explained() {
		cause := analysis.Condition("")
		for _, by := range slices.Backward(x.By) {
			if l.alarm(p.kind(by)).Stands() {
				cause = by
			}
		}
		do(p.kind(x.Condition), cause)
	}
}

// passAlarms lets the delays of a brake's alarms run, and is when they will
// matter next. Calm ones wait for nothing.
func (p *Pipeline) passAlarms(l *line, nowNS int64, batch *store.Batch) (wakeNS int64) {
	wakeNS = math.MaxInt64
	if len(l.alarms) == 0 {
		return wakeNS
	}
	was := len(batch.Alarms)
	for i := range p.kinds {
		k := &p.kinds[i]
		for l.alarm(k).WakeNS(k.rule) <= nowNS {
			next, e, changed := l.alarm(k).Pass(nowNS, k.rule)
			p.note(l, k, next, e, changed, batch)
			if !changed {
				break
			}
		}
	}
	if len(batch.Alarms) > was {
		p.unexplain(l, nowNS, batch)
	}
	for i := range l.alarms {
		wakeNS = min(wakeNS, l.alarms[i].WakeNS(l.alarms[i].rule))
	}
	return wakeNS
}

// passBells does the same for devices and floods.
func (p *Pipeline) passBells(nowNS int64, batch *store.Batch) (wakeNS int64) {
	wakeNS = math.MaxInt64
	for i := range p.bells.devices {
		d := &p.bells.devices[i]
		for d.WakeNS(d.rule) <= nowNS {
			next, e, changed := d.Pass(nowNS, d.rule)
			p.noteDevice(d, next, e, changed, batch)
			if !changed {
				break
			}
		}
		wakeNS = min(wakeNS, d.WakeNS(d.rule))
	}
	for i := range p.bells.guards {
		g := &p.bells.guards[i]
		for e, changed := g.Pass(nowNS); changed; e, changed = g.Pass(nowNS) {
			batch.Alarms = append(batch.Alarms, store.AlarmRow{Event: e})
		}
		wakeNS = min(wakeNS, g.WakeNS())
	}
	return wakeNS
}

// Resume puts the alarms where their stored events left them: states are the
// latest of each alarm, recent the latest of all, the oldest first.
func (p *Pipeline) Resume(states, recent []alerts.Event) {
	for _, e := range states {
		for i := range p.bells.devices {
			if d := &p.bells.devices[i]; e.Device == d.name && e.Condition == alerts.DeviceSilent {
				d.Alarm = alerts.Restore(e)
			}
		}
		if e.Brake != "" {
			p.Restore(e)
		}
	}
	for i := range p.bells.devices {
		if d := &p.bells.devices[i]; d.State != alerts.Normal && d.State != alerts.Returned {
			p.eachSymptom(d, func(l *line, k *kind) {
				held, _, _ := l.alarm(k).Suppress(0, d.name+" does not answer")
				l.put(k, held)
			})
		}
	}
	for i := range p.lines {
		l := &p.lines[i]
		p.eachExplained(l, func(k *kind, cause analysis.Condition) {
			if cause != "" {
				held, _, _ := l.alarm(k).Suppress(0, alerts.Because(cause))
				l.put(k, held)
			}
		})
	}
	for i := range p.bells.guards {
		g := &p.bells.guards[i]
		*g = alerts.Guard{Urgent: g.Urgent, EscalateAfter: g.EscalateAfter} // what was recalled has been told long ago
		g.Restore(recent)
	}
	p.wakeNS = 0
}

// OutOfService holds back the alarms of a brake that is not in use, by whom and
// why.
func (p *Pipeline) OutOfService(brake string, nowNS int64, by, why string, batch *store.Batch) {
	p.eachAlarm(brake, func(l *line, k *kind) {
		next, e, changed := l.alarm(k).OutOfService(nowNS, by, why)
		p.note(l, k, next, e, changed, batch)
	})
}

// InService ends that; what stands is told anew.
func (p *Pipeline) InService(brake string, nowNS int64, by string, batch *store.Batch) {
	p.eachAlarm(brake, func(l *line, k *kind) {
		next, e, changed := l.alarm(k).InService(nowNS, by)
		p.note(l, k, next, e, changed, batch)
	})
}

func (p *Pipeline) eachAlarm(brake string, do func(*line, *kind)) {
	for i := range p.lines {
		for k := range p.kinds {
			if p.lines[i].name == brake {
				do(&p.lines[i], &p.kinds[k])
			}
		}
	}
}

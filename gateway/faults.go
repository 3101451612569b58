package gateway

import (
	"math"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// fault is a trouble of gapward's own. All of them are one alarm, the
// gateway's, whose detail says which stand.
type fault uint8

const (
	storeFails  fault = iota // it takes nothing
	rowsLost                 // measured, and given up before they were stored
	setAside                 // the database was damaged and begun anew
	storeFull                // above its size, with nothing left to give up
	agedTooSoon              // cycles rolled up before every exporter had them
	rowRefused               // by an exporter's far end, for good
	samplesLate              // too late to be put in order
	clockMoved               // the machine's clock was set
	manyFaults
)

// tellsFor is how long a fault stands that is over as soon as it has happened:
// long enough for somebody to see it.
func (f fault) tellsFor() time.Duration {
	switch f {
	case rowsLost, setAside, agedTooSoon, rowRefused:
		return 24 * time.Hour
	case clockMoved:
		return time.Hour
	case samplesLate:
		return 10 * time.Minute
	}
	return 0 // until it is over
}

// faults is which of gapward's own troubles stand, and the alarm of them. It is
// a pure step: it has no clock.
type faults struct {
	alarm    alerts.Alarm
	rule     alerts.Rule
	standing [manyFaults]trouble
	left     string // what stood when the daemon stopped, until that is told to be over
}

type trouble struct {
	stands  bool
	untilNS int64 // math.MaxInt64: until it is over
	detail  string
}

// newFaults goes on from the latest stored event of the gateway's alarm, the
// zero event where there is none. What stood when the daemon stopped is over:
// what isn't comes again.
func newFaults(latest alerts.Event) faults {
	f := faults{rule: alerts.DefaultRule(analysis.GatewayFault)}
	if latest.Condition == analysis.GatewayFault {
		f.alarm, f.left = alerts.Restore(latest), latest.Detail
	}
	return f
}

// happened takes note of a fault. It is told where it is new: also while others
// stand, for it may want another remedy, and one acknowledged alarm must not
// hide the next.
func (f *faults) happened(what fault, detail string, nowNS int64) (e alerts.Event, changed bool) {
	t := &f.standing[what]
	isNew := !t.stands || what == setAside // another file each time
	t.stands, t.detail, t.untilNS = true, detail, math.MaxInt64
	if d := what.tellsFor(); d > 0 {
		t.untilNS = nowNS + int64(d)
	}
	stood := f.alarm.State.Active()
	e, changed = f.find(1, nowNS)
	if isNew && stood && !changed {
		f.alarm, e, changed = f.alarm.Again(nowNS)
		e.Detail = f.detail()
	}
	return e, changed
}

// stays has a fault that stands go on standing.
func (f *faults) stays(what fault, nowNS int64) {
	if t := &f.standing[what]; t.stands {
		t.untilNS = max(t.untilNS, nowNS+int64(time.Minute))
	}
}

// over takes note that a fault is no more.
func (f *faults) over(what fault, nowNS int64) (e alerts.Event, changed bool) {
	if !f.standing[what].stands {
		return alerts.Event{}, false
	}
	was := f.detail()
	f.standing[what] = trouble{}
	return f.clear(was, nowNS)
}

// pass lets those be over whose time is up.
func (f *faults) pass(nowNS int64) (e alerts.Event, changed bool) {
	was := f.detail()
	for i := range f.standing {
		if f.standing[i].stands && nowNS >= f.standing[i].untilNS {
			f.standing[i] = trouble{}
		}
	}
	if e, changed = f.clear(was, nowNS); changed {
		return e, changed
	}
	f.alarm, e, changed = f.alarm.Pass(nowNS, f.rule)
	e.Detail = was
	return e, changed
}

// clear is the step of the alarm when a fault may have gone; the event of the
// last one says what it was.
func (f *faults) clear(was string, nowNS int64) (e alerts.Event, changed bool) {
	if f.detail() != "" || !f.alarm.State.Active() {
		return alerts.Event{}, false
	}
	e, changed = f.find(-1, nowNS)
	if e.Detail = was; was == "" {
		e.Detail = f.left
	}
	f.left = ""
	return e, changed
}

func (f *faults) find(excess float64, nowNS int64) (e alerts.Event, changed bool) {
	f.alarm, e, changed = f.alarm.Find(analysis.Finding{AtNS: nowNS, Condition: analysis.GatewayFault, Excess: excess,
		Value: math.NaN(), U: math.NaN(), Limit: math.NaN()}, f.rule)
	e.Detail = f.detail()
	return e, changed
}

// detail says what stands, empty where nothing does.
func (f *faults) detail() string {
	var parts []string
	for _, t := range f.standing {
		if t.stands {
			parts = append(parts, t.detail)
		}
	}
	return strings.Join(parts, "; ")
}

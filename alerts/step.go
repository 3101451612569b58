package alerts

import (
	"math"
	"time"

	"gapward/analysis"
)

// Rule is how one condition becomes an alarm and stops being one.
type Rule struct {
	Deadband float64       // in the condition's unit: how far back within the limit it must be to clear
	OnDelay  time.Duration // present for this long before it is raised
	OffDelay time.Duration // gone for this long before it is cleared
	Latch    bool          // stays as returned-unacknowledged until somebody acknowledges it
}

// DefaultRule is the rule for a condition where the site file gives none. The
// gap's deadband is what a filtered gap may waver by; what happens within one
// cycle needs no delay, for its own time limit has passed already.
func DefaultRule(c analysis.Condition) Rule {
	switch c {
	case analysis.GapAdjust, analysis.GapMax, analysis.GapLow:
		return Rule{Deadband: 0.02}
	case analysis.SlowRelease, analysis.SlowSet:
		return Rule{Deadband: 0.010}
	case analysis.ForecastDue:
		return Rule{Deadband: 3}
	case analysis.SignalFault, analysis.SignalStale:
		return Rule{OffDelay: time.Second}
	}
	return Rule{}
}

// Alarm is one condition of one brake and where it is in its life. The zero
// value is normal.
type Alarm struct {
	State    State
	SinceNS  int64            // when the condition appeared, while active
	present  bool             // by the latest finding, deadband included
	changeNS int64            // when present last changed, while a delay runs
	latest   analysis.Finding // of the latest finding
}

// Restore is the alarm as its last stored event left it.
func Restore(e Event) Alarm {
	return Alarm{State: e.State, SinceNS: e.SinceNS, present: e.State.Active(), latest: analysis.Finding{
		AtNS: e.AtNS, Condition: e.Condition, Value: e.Value, U: e.U, Limit: e.Limit, Unit: e.Unit, Signal: e.Signal}}
}

// Find is the step of an alarm on a new finding. changed is false where
// nothing is to be told.
func (a Alarm) Find(f analysis.Finding, r Rule) (next Alarm, e Event, changed bool) {
	present := f.Excess > 0
	if a.present && !present && f.Excess > -r.Deadband {
		present = true // not far enough back
	}
	if present != a.present {
		a.present, a.changeNS = present, f.AtNS
	}
	a.latest = f
	return a.Pass(f.AtNS, r)
}

// Pass is the step of an alarm on time having passed.
func (a Alarm) Pass(nowNS int64, r Rule) (next Alarm, e Event, changed bool) {
	switch {
	case a.present && !a.State.Active() && nowNS-a.changeNS >= int64(r.OnDelay):
		a.State, a.SinceNS = Unacknowledged, a.changeNS
		return a, a.event(nowNS, Raised), true
	case !a.present && a.State.Active() && nowNS-a.changeNS >= int64(r.OffDelay):
		if a.State == Unacknowledged && r.Latch {
			a.State = Returned
		} else {
			a.State = Normal
		}
		return a, a.event(nowNS, Cleared), true
	}
	return a, Event{}, false
}

// WakeNS is when time alone will change the alarm, or math.MaxInt64.
func (a Alarm) WakeNS(r Rule) int64 {
	switch {
	case a.present && !a.State.Active():
		return a.changeNS + int64(r.OnDelay)
	case !a.present && a.State.Active():
		return a.changeNS + int64(r.OffDelay)
	}
	return math.MaxInt64
}

// Acknowledge is the step when a person says that they have seen the alarm.
func (a Alarm) Acknowledge(nowNS int64, by string) (next Alarm, e Event, changed bool) {
	switch a.State {
	case Unacknowledged:
		a.State = Acknowledged
	case Returned:
		a.State = Normal
	default:
		return a, Event{}, false
	}
	e = a.event(nowNS, Acked)
	e.By = by
	return a, e, true
}

func (a Alarm) event(nowNS int64, c Change) Event {
	f := a.latest
	return Event{AtNS: nowNS, Condition: f.Condition, Change: c, State: a.State, SinceNS: a.SinceNS,
		Value: f.Value, U: f.U, Limit: f.Limit, Unit: f.Unit, Signal: f.Signal}
}

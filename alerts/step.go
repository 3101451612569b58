package alerts

import (
	"math"

	"gapward/analysis"
)

// Alarm is one condition of one brake and where it is in its life. The zero
// value is normal. Its steps are pure: each returns the alarm as it is next.
type Alarm struct {
	State    State
	SinceNS  int64 // when the condition appeared, while it stands
	standing bool  // the condition is present, delays included
	holds    Marks // those of MarkShelved, MarkSuppressed and MarkOut that are set
	untilNS  int64 // when shelving ends
	by       string
	reason   string
	cause    string // why it is suppressed

	present   bool             // by the latest finding, deadband included
	changeNS  int64            // when present last changed, while a delay runs
	graceNS   int64            // not raised before: its cause was over only just now
	latest    analysis.Finding // the latest
	toldNS    int64            // of the latest event
	calledNS  int64            // when it last became unacknowledged
	escalated bool
	quiet     bool
}

// Calm reports whether nothing need be kept of the alarm: it goes on from its next
// finding as one of which nothing is known would.
func (a Alarm) Calm() bool {
	return a.State == Normal && !a.standing && !a.present && a.holds == 0 && a.graceNS <= a.latest.AtNS
}

// Restore is the alarm as its last stored event left it.
func Restore(e Event) Alarm {
	standing := e.Marks&MarkStanding != 0 || e.State.Active()
	cause, holds := "", e.Marks&(MarkShelved|MarkSuppressed|MarkOut)
	switch e.State {
	case Suppressed:
		cause, e.Reason = e.Reason, ""
	case Normal:
		// The end of such a hold makes no event on a normal alarm: whoever restores
		// what holds it back does so anew.
		holds &= MarkShelved
	}
	return Alarm{State: e.State, SinceNS: e.SinceNS, standing: standing, present: standing,
		holds: holds, untilNS: e.UntilNS, by: e.By, reason: e.Reason, cause: cause,
		toldNS: e.AtNS, calledNS: e.CalledNS, escalated: e.Marks&MarkEscalated != 0, quiet: e.Marks&MarkQuiet != 0,
		latest: analysis.Finding{AtNS: e.AtNS, Condition: e.Condition, Value: e.Value, U: e.U, Limit: e.Limit, Unit: e.Unit, Signal: e.Signal}}
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

// Pass is the step of an alarm on time having passed. Where several things are
// due it takes the first; [Alarm.WakeNS] is then not after nowNS.
func (a Alarm) Pass(nowNS int64, r Rule) (next Alarm, e Event, changed bool) {
	switch {
	case a.holds&MarkShelved != 0 && nowNS >= a.untilNS:
		return a.Unshelve(nowNS, "")
	case a.present && !a.standing && nowNS >= a.onNS(r):
		a.standing, a.SinceNS, a.escalated, a.quiet = true, a.changeNS, false, a.holds != 0
		a.State = a.afterRise()
		return a.told(nowNS, Raised)
	case !a.present && a.standing && nowNS-a.changeNS >= int64(r.OffDelay):
		a.standing = false
		a.State = a.afterFall(r)
		return a.told(nowNS, Cleared)
	case nowNS >= a.escalateNS(r):
		a.escalated = true
		return a.told(nowNS, Escalated)
	case nowNS >= a.remindNS(r):
		a.quiet = false
		return a.told(nowNS, Reminded)
	}
	return a, Event{}, false
}

// WakeNS is when time alone will change the alarm, or math.MaxInt64.
func (a Alarm) WakeNS(r Rule) int64 {
	wake := min(a.escalateNS(r), a.remindNS(r))
	if a.holds&MarkShelved != 0 {
		wake = min(wake, a.untilNS)
	}
	switch {
	case a.present && !a.standing:
		wake = min(wake, a.onNS(r))
	case !a.present && a.standing:
		wake = min(wake, a.changeNS+int64(r.OffDelay))
	}
	return wake
}

func (a Alarm) onNS(r Rule) int64 { return max(a.changeNS+int64(r.OnDelay), a.graceNS) }

// escalateNS is when the second addresses are told, counted from when the first
// were called: a reminder that nobody heeds is no new beginning. What was told with
// its flood is told them with its flood too, until somebody is reminded of it alone.
func (a Alarm) escalateNS(r Rule) int64 {
	if a.State != Unacknowledged || a.escalated || a.quiet || r.EscalateAfter <= 0 {
		return math.MaxInt64
	}
	return a.calledNS + int64(r.EscalateAfter)
}

func (a Alarm) remindNS(r Rule) int64 {
	if !a.State.Active() || r.RemindEvery <= 0 {
		return math.MaxInt64
	}
	return a.toldNS + int64(r.RemindEvery)
}

// afterRise is the state when the condition has come.
func (a Alarm) afterRise() State {
	if s := a.held(); s != Normal {
		return s
	}
	return Unacknowledged
}

// afterFall is the state when the condition has gone.
func (a Alarm) afterFall(r Rule) State {
	switch {
	case a.holds&MarkShelved != 0:
		return Shelved
	case a.holds == 0 && a.State == Unacknowledged && r.Latch:
		return Returned
	}
	return Normal
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
	a.by, a.quiet = by, false
	return a.told(nowNS, Acked)
}

// Again is the step when the cause of a standing alarm has changed so that it
// must be heard again, acknowledged or not.
func (a Alarm) Again(nowNS int64) (next Alarm, e Event, changed bool) {
	if !a.standing {
		return a, Event{}, false
	}
	a.escalated = false
	a.State = a.afterRise()
	return a.told(nowNS, Raised)
}

// Quieted is the alarm as one that is told with its flood, and not alone, and
// its event likewise.
func (a Alarm) Quieted(e Event) (Alarm, Event) {
	a.quiet = true
	e.Marks |= MarkQuiet
	return a, e
}

// told is the event of a change.
func (a Alarm) told(nowNS int64, c Change) (Alarm, Event, bool) {
	a.toldNS = nowNS
	switch {
	case a.State != Unacknowledged:
		a.calledNS = 0
	case a.calledNS == 0 || c == Raised:
		a.calledNS = nowNS
	}
	f := a.latest
	marks := a.holds
	if a.standing {
		marks |= MarkStanding
	}
	if a.escalated {
		marks |= MarkEscalated
	}
	if a.quiet {
		marks |= MarkQuiet
	}
	e := Event{AtNS: nowNS, Condition: f.Condition, Change: c, State: a.State, Marks: marks, SinceNS: a.SinceNS,
		Value: f.Value, U: f.U, Limit: f.Limit, Unit: f.Unit, Signal: f.Signal}
	e.CalledNS = a.calledNS
	if a.holds&MarkShelved != 0 {
		e.UntilNS = a.untilNS
	}
	switch {
	case a.State == Suppressed || c == SuppressedBy && !a.State.Held():
		e.Reason = a.cause
	case a.State.Held() || c >= ShelvedBy && c <= PutIn:
		e.Reason = a.reason
	}
	if a.State.Held() || a.State == Acknowledged || c == Acked || c >= ShelvedBy && c <= PutIn {
		e.By = a.by
	}
	return a, e, true
}

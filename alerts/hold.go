package alerts

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"gapward/analysis"
)

// longestShelf is how long an alarm may be shelved at a time: a shift and what
// belongs to it wouldn't do for a part that is on order, and more than a week
// is a matter for taking the brake out of service.
const longestShelf = 7 * 24 * time.Hour

// longestReason is how many characters a reason may have.
const longestReason = 200

// CheckShelf says what is wrong with shelving from nowNS until untilNS for a
// reason, in words for who wants to.
func CheckShelf(nowNS, untilNS int64, reason string) error {
	switch d := time.Duration(untilNS - nowNS); {
	case strings.TrimSpace(reason) == "":
		return errors.New("a shelved alarm needs a reason: others will ask why it is not told")
	case utf8.RuneCountInString(reason) > longestReason || !utf8.ValidString(reason):
		return fmt.Errorf("the reason may have %d characters", longestReason)
	case d < time.Minute:
		return errors.New("shelving must end, and no sooner than in a minute")
	case d > longestShelf:
		return fmt.Errorf("an alarm is shelved for %d days at most; what takes longer is a brake out of service", int(longestShelf.Hours()/24))
	}
	return nil
}

// held is the state that what holds the alarm back gives it, Normal where
// nothing does. Of several the first shows.
func (a Alarm) held() State {
	switch {
	case a.holds&MarkOut != 0:
		return NotInService
	case a.holds&MarkShelved != 0: // by whom and why is known from nowhere else
		return Shelved
	case a.holds&MarkSuppressed != 0:
		return Suppressed
	}
	return Normal
}

// Shelve holds an alarm back until a time, for a reason, whatever its state.
// [CheckShelf] has been asked before.
func (a Alarm) Shelve(nowNS, untilNS int64, by, reason string) (next Alarm, e Event, changed bool) {
	a.holds |= MarkShelved
	a.untilNS, a.by, a.reason = untilNS, by, reason
	a.State = a.held()
	return a.told(nowNS, ShelvedBy)
}

// Unshelve ends that before its time, or by says nobody and its time is up.
func (a Alarm) Unshelve(nowNS int64, by string) (next Alarm, e Event, changed bool) {
	if a.holds&MarkShelved == 0 {
		return a, Event{}, false
	}
	a.untilNS, a.by, a.reason = 0, by, ""
	return a.release(nowNS, MarkShelved, Unshelved)
}

// Suppress holds an alarm back by design, because a cause explains it. It
// shows, and makes an event, where there is something to hold back; a normal
// alarm is held silently, and so needs no event to be restored from: whoever
// restores the cause suppresses anew.
func (a Alarm) Suppress(nowNS int64, cause string) (next Alarm, e Event, changed bool) {
	a.cause = cause
	return a.hold(nowNS, MarkSuppressed, SuppressedBy, "", "")
}

// Unsuppress ends that. What the cause explained gets until graceNS to be gone
// too: a signal read once a minute is not heard in the same moment.
func (a Alarm) Unsuppress(nowNS, graceNS int64) (next Alarm, e Event, changed bool) {
	if a.holds&MarkSuppressed == 0 {
		return a, Event{}, false
	}
	a.cause = ""
	if a.standing && a.holds == MarkSuppressed && graceNS > nowNS {
		// It stands until then only if it is still found.
		a.standing, a.graceNS, a.changeNS = false, graceNS, nowNS
	}
	return a.release(nowNS, MarkSuppressed, Unsuppressed)
}

// OutOfService holds an alarm back because its brake is out of service: by
// design, from the ledger. Like [Alarm.Suppress] it makes an event only where
// there is something to hold back.
func (a Alarm) OutOfService(nowNS int64, by, reason string) (next Alarm, e Event, changed bool) {
	return a.hold(nowNS, MarkOut, PutOut, by, reason)
}

// InService ends that.
func (a Alarm) InService(nowNS int64, by string) (next Alarm, e Event, changed bool) {
	if a.holds&MarkOut == 0 {
		return a, Event{}, false
	}
	a.by, a.reason = by, ""
	return a.release(nowNS, MarkOut, PutIn)
}

func (a Alarm) hold(nowNS int64, mark Marks, c Change, by, reason string) (next Alarm, e Event, changed bool) {
	if a.holds&mark != 0 {
		return a, Event{}, false
	}
	a.holds |= mark
	if a.State != Shelved { // whose end and reason stay
		a.by, a.reason = by, reason
	}
	if a.State == Normal {
		return a, Event{}, false
	}
	if !a.standing && a.State == Returned {
		a.State = Normal // it is gone, and nobody need look any more
		return a.told(nowNS, c)
	}
	if a.standing {
		a.State = a.held()
	}
	return a.told(nowNS, c)
}

// release takes a hold away. What stands then is told anew.
func (a Alarm) release(nowNS int64, mark Marks, c Change) (next Alarm, e Event, changed bool) {
	before := a.State
	a.holds &^= mark
	switch s := a.held(); {
	case a.standing && s == Normal:
		a.State, a.escalated, a.quiet = Unacknowledged, false, false
	case a.standing || s == Shelved:
		a.State = s
	default:
		a.State = Normal
	}
	if a.State == before && before == Normal {
		return a, Event{}, false
	}
	return a.told(nowNS, c)
}

// Symptom reports whether a silent device explains a condition of a brake that
// hangs on it.
func Symptom(c analysis.Condition) bool {
	return c == analysis.SignalStale || c == analysis.SignalsDisagree
}

// Explained lists the conditions of a brake that a graver one of the same brake
// may explain, each with those that do, the nearest first: what is measured is
// the same, and there is nothing to do about the lesser that isn't done about the
// graver.
func Explained() []Explanation {
	return []Explanation{
		{analysis.GapAdjust, []analysis.Condition{analysis.GapMax}},
		{analysis.ForecastDue, []analysis.Condition{analysis.GapAdjust, analysis.GapMax}},
		{analysis.SlowRelease, []analysis.Condition{analysis.NotReleased}},
		{analysis.SlowSet, []analysis.Condition{analysis.NotSet}},
	}
}

// Explanation is a condition and what explains it.
type Explanation struct {
	Condition analysis.Condition
	By        []analysis.Condition
}

// Because is a condition as the reason why another is held back.
func Because(cause analysis.Condition) string {
	title := Title(cause)
	return "the " + strings.ToLower(title[:1]) + title[1:]
}

// Stands reports whether the alarm's condition is present, delays included,
// whether people are called for it or not.
func (a Alarm) Stands() bool { return a.standing }

// Grace is how long a condition may take to be gone after what caused it: the
// limit of the signal's own silence.
func (a Alarm) Grace() time.Duration {
	if a.latest.Unit != "s" || !analysis.Has(a.latest.Limit) {
		return 0
	}
	return time.Duration(a.latest.Limit * float64(time.Second))
}

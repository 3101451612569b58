package alerts

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"gapward/analysis"
)

// Conditions of the alarms themselves: one cause in the place of many symptoms,
// and one notice in the place of many alarms.
const (
	DeviceSilent analysis.Condition = "device-silent"
	AlarmFlood   analysis.Condition = "alarm-flood"
	UrgentFlood  analysis.Condition = "urgent-alarm-flood"
)

// Conditions lists all conditions, the most urgent first.
func Conditions() []analysis.Condition {
	list := analysis.Conditions()
	at := slices.Index(list, analysis.SignalsDisagree)
	list = slices.Insert(list, at, DeviceSilent)
	return append([]analysis.Condition{UrgentFlood}, append(list, AlarmFlood)...)
}

// Urgency is the place of a condition among all, 0 the most urgent; unknown
// ones come last.
func Urgency(c analysis.Condition) int {
	if at := slices.Index(Conditions(), c); at >= 0 {
		return at
	}
	return len(Conditions())
}

// Urgent reports whether a condition means that the load may not be held, or a
// motor may burn: these are never lost in a flood of lesser ones.
func Urgent(c analysis.Condition) bool {
	return c == analysis.NotReleased || c == analysis.NotSet || c == analysis.GapMax
}

// Settings are what a site file says of its alarms.
type Settings struct {
	RemindEvery   time.Duration        `yaml:"remind_every"`   // what stands is told again after this long; 0: never
	EscalateAfter time.Duration        `yaml:"escalate_after"` // what nobody has acknowledged for this long is told to the second addresses; 0: never
	Latch         []analysis.Condition `yaml:"latch"`          // conditions that stay until somebody acknowledges them, even when gone
}

// Validate says what is wrong with the settings; each error begins with the
// key that it is about.
func (s Settings) Validate() error {
	var errs []error
	for _, d := range []struct {
		key   string
		value time.Duration
	}{{"remind_every", s.RemindEvery}, {"escalate_after", s.EscalateAfter}} {
		if d.value != 0 && d.value < time.Minute {
			errs = append(errs, fmt.Errorf("alarms.%s: %v is less than a minute; people would stop looking: write 1m or more", d.key, d.value))
		}
	}
	seen := map[analysis.Condition]bool{}
	for i, c := range s.Latch {
		key := fmt.Sprintf("alarms.latch[%d]", i)
		switch {
		case !slices.Contains(analysis.Conditions(), c):
			errs = append(errs, fmt.Errorf("%s: there is no condition %q; the conditions are in the README's table of alarms", key, c))
		case seen[c]:
			errs = append(errs, fmt.Errorf("%s: %q is listed twice; take one of them out", key, c))
		}
		seen[c] = true
	}
	return errors.Join(errs...)
}

// Rule is how one condition becomes an alarm and stops being one.
type Rule struct {
	Deadband float64       // in the condition's unit: how far back within the limit it must be to clear
	OnDelay  time.Duration // present for this long before it is raised
	OffDelay time.Duration // gone for this long before it is cleared
	Latch    bool          // stays as returned-unacknowledged until somebody acknowledges it

	RemindEvery   time.Duration // told again while it stands; 0: never
	EscalateAfter time.Duration // unacknowledged for this long, it is told to the second addresses; 0: never
}

// Rule is the rule for a condition.
func (s Settings) Rule(c analysis.Condition) Rule {
	r := DefaultRule(c)
	r.RemindEvery, r.EscalateAfter = s.RemindEvery, s.EscalateAfter
	r.Latch = slices.Contains(s.Latch, c)
	return r
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
	case analysis.DutyHigh: // it comes and goes with each start about the limit
		return Rule{Deadband: 2, OffDelay: 10 * time.Minute}
	case analysis.SignalFault, analysis.SignalStale, DeviceSilent:
		return Rule{OffDelay: time.Second}
	}
	return Rule{}
}

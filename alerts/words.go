package alerts

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"gapward/analysis"
)

// words are what people read of a condition.
type words struct{ title, firstStep string }

func wordsOf(c analysis.Condition) words {
	switch c {
	case analysis.NotReleased:
		return words{"Brake does not release",
			"Switch the drive off at once: a motor that works against its own brake burns within seconds. Keep the hoist from being used until it is known why the brake did not free."}
	case analysis.NotSet:
		return words{"Brake does not set",
			"Keep everybody from under the load, and land it if that can be done safely. Take the hoist out of service: do not count on this brake to hold."}
	case analysis.GapMax:
		return words{"Air gap has reached its maximum",
			"Land the load and stop using the hoist. Have the brake adjusted, or its lining renewed, before it is used again."}
	case analysis.GapLow:
		return words{"Air gap is too narrow",
			"Stop using the hoist and have the brake looked at: it may drag and overheat lining and motor. If it has just been adjusted, compare the steps taken with the plan."}
	case analysis.GapAdjust:
		return words{"Air gap is due for adjustment",
			"Plan the adjustment by the hoist maker's instructions. Where two brakes hold the load one after the other, adjust the creep brake before the main one."}
	case analysis.SignalsDisagree:
		return words{"Signals contradict each other",
			"Find out which signal is right: watch drive, release switch and travel on the brake's page through one cycle. Until then, do not trust the figures of this brake."}
	case analysis.SignalFault:
		return words{"Signal is faulty",
			"Check probe, cable and input of the signal: broken wire, loose plug, reading out of range. The brake is not watched on this signal until it is good again."}
	case analysis.SignalStale:
		return words{"Signal is silent",
			"Check whether the device has power and network and whether its sender runs. The brake is not watched on this signal until it speaks again."}
	case analysis.SlowRelease:
		return words{"Brake releases slowly",
			"Look at the air gap first: a wide one takes longer to free. If the gap is right, have supply voltage, rectifier or spring and bearing checked."}
	case analysis.SlowSet:
		return words{"Brake sets slowly",
			"Look at the air gap first: a wide one takes longer to close. If the gap is right, have the switching-off of the motor, the springs and the guides checked."}
	case analysis.GapStep:
		return words{"Air gap has changed suddenly",
			"If the brake was just adjusted or its lining renewed, note who did it and when. If nobody worked on it, have brake and probe looked at before the hoist is used on."}
	case analysis.ForecastDue:
		return words{"Adjustment will be due soon",
			"Order what is needed and book the crane before the date on the brake's page."}
	case analysis.LiningSpent:
		return words{"Lining is used up",
			"Plan a new lining: no adjustment is left in this one."}
	case analysis.DutyHigh:
		return words{"Hoist works harder than set",
			"Let motor and brake cool down, and look at how often the hoist starts and jogs. If the work is to stay like this, ask the hoist maker what the hoist may bear."}
	case DeviceSilent:
		return words{"Device does not answer",
			"Check whether the device has power and network. None of its brakes is watched until it answers again: inspect them by hand as before."}
	case UrgentFlood:
		return words{"Many brakes fail at once",
			"Stop the hoists named and keep everybody from under loads. Look for what they have in common: a supply, a device, work on a crane."}
	case AlarmFlood:
		return words{"Many alarms at once",
			"Look at the alarms page for what they have in common: a supply, a network, a device, work on a crane. They are told together until they become fewer."}
	case analysis.GatewayFault:
		return words{"gapward itself has a fault",
			"Read the daemon's log and look at the page's health view. Until this is cleared, alarms may be late or missing: inspect the brakes by hand as before."}
	}
	return words{string(c), "Look at the brake's page for what was measured."}
}

// Title is the condition in plain words, the start of a sentence without its
// full stop.
func Title(c analysis.Condition) string { return wordsOf(c).title }

// FirstStep is the first thing to do about a condition, in one or two
// sentences. Where people touch a brake, [Cautions] belong beside it.
func FirstStep(c analysis.Condition) string { return wordsOf(c).firstStep }

// Cautions are what every screen, report and alert carries that tells a person
// to touch a brake.
func Cautions() []string {
	return []string{
		"Land the load and secure the hook.",
		"Isolate the supply, lock it out and check that it is dead.",
		"Only people qualified for this work may do it.",
		"The hoist maker's instructions and the local rules come first.",
		"Test the brake before the hoist returns to service.",
		"gapward is not a safety function: it measures and reports, and protects nobody.",
	}
}

// Message is the event on one line: what changed, the condition, the brake,
// the value with its expanded uncertainty (k = 2, 95 %), the limit, and since
// when. Figures that aren't there are left out; times are UTC.
func Message(e Event) string {
	var b strings.Builder
	if verb := Verb(e.Change); verb != "" {
		b.WriteString(verb)
		if e.By != "" {
			b.WriteString(" by " + onOneLine(e.By))
		}
		if e.UntilNS != 0 {
			b.WriteString(" until " + readableTime(e.UntilNS))
		}
		if e.Reason != "" {
			b.WriteString(" (" + onOneLine(e.Reason) + ")")
		}
		b.WriteString(": ")
	}
	b.WriteString(Title(e.Condition))
	since := ", since " + readableTime(e.SinceNS)
	if e.Change == Cleared {
		since += " until " + readableTime(e.AtNS)
	}
	if Flood(e.Condition) {
		b.WriteString(since + ": " + onOneLine(e.Detail))
		return b.String()
	}
	b.WriteString(": ")
	b.WriteString(onOneLine(Subject(e)))
	if e.Signal != "" {
		b.WriteString(" " + e.Signal)
	}
	if value := quantity(e.Value, e.U, e.Unit); value != "" {
		b.WriteString(", ")
		if e.Unit == "s" && (e.Condition == analysis.SignalFault || e.Condition == analysis.SignalStale || e.Condition == DeviceSilent) {
			b.WriteString("for ") // so long, when it was found
		}
		b.WriteString(value)
	}
	if limit := limitWords(e); limit != "" {
		b.WriteString(", limit " + limit)
	}
	if e.Detail != "" {
		b.WriteString(", " + onOneLine(e.Detail))
	}
	b.WriteString(since)
	return b.String()
}

// Subject is what an event is about: its brake, its device, or the gateway.
func Subject(e Event) string {
	switch {
	case e.Brake != "":
		return e.Brake
	case e.Device != "":
		return e.Device
	}
	return "gateway"
}

// Verb is what a change does to an alarm, empty for its beginning.
func Verb(c Change) string {
	switch c {
	case Cleared:
		return "Cleared"
	case Acked:
		return "Acknowledged"
	case ShelvedBy:
		return "Shelved"
	case Unshelved:
		return "No longer shelved"
	case SuppressedBy:
		return "Suppressed"
	case Unsuppressed:
		return "No longer suppressed"
	case PutOut:
		return "Out of service"
	case PutIn:
		return "Back in service"
	case Reminded:
		return "Still standing"
	case Escalated:
		return "Not acknowledged"
	}
	return ""
}

// limitWords is the limit of an event, in the unit in which its value is told.
func limitWords(e Event) string {
	if e.Unit == "s" && math.Abs(e.Value) >= 10 && math.Abs(e.Limit) < 10 {
		return strconv.FormatFloat(e.Limit, 'f', -1, 64) + " s"
	}
	return quantity(e.Limit, math.NaN(), e.Unit)
}

// quantity is a figure as people read it, "2.84 ± 0.06 mm", and empty where
// there is none. u is the standard uncertainty; what is shown is twice that.
func quantity(value, u float64, unit string) string {
	if math.IsNaN(value) || math.IsInf(value, 0) || unit == "s" && value == 0 {
		return "" // what lasted no time at all has no figure
	}
	decimals := 0
	switch {
	case unit == "mm":
		decimals = 2
	case unit == "s" && math.Abs(value) < 10:
		value, u, unit = value*1e3, u*1e3, "ms"
	case unit == "s", unit == "d":
	case value != math.Trunc(value):
		decimals = 2
	}
	text := rounded(value, decimals)
	if !math.IsNaN(u) && !math.IsInf(u, 0) && u > 0 {
		// Rounded up: to the nearest it might become ± 0.00.
		scale := math.Pow(10, float64(decimals))
		text += " ± " + rounded(math.Ceil(2*u*scale-1e-9)/scale, decimals)
	}
	switch unit {
	case "":
		return text
	case "d":
		if text == "1" {
			return text + " day"
		}
		return text + " days"
	}
	return text + " " + unit
}

func rounded(value float64, decimals int) string {
	text := strconv.FormatFloat(value, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-") // no minus zero
	}
	return text
}

// readableTime is a time to the second, UTC.
func readableTime(atNS int64) string {
	return time.Unix(0, atNS).UTC().Format("2006-01-02 15:04:05 UTC")
}

// onOneLine keeps a name from breaking the line that it stands in.
func onOneLine(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, name)
}

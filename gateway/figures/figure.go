// Package figures puts numbers, dates, forecasts and curves into the form in
// which people read them. The page and the inspection record share it, so that
// both say the same in the same words.
package figures

import (
	"math"
	"strconv"
	"strings"
	"time"

	"gapward/analysis"
)

// Figure is a value as people read it. The zero Figure is one that wasn't
// measured.
type Figure struct {
	Value string // "2.31"
	U     string // expanded uncertainty, "0.04"; empty where there is none
	Unit  string
}

// Known reports whether there is a value.
func (f Figure) Known() bool { return f.Value != "" }

// String is the figure on one line, which doesn't break within it.
func (f Figure) String() string {
	if !f.Known() {
		return "–"
	}
	text := f.Value
	if f.U != "" {
		text += " ± " + f.U
	}
	return strings.ReplaceAll(strings.TrimSpace(text+" "+f.Unit), " ", "\u00a0")
}

// Measured is a value with twice its standard uncertainty u, which covers the
// truth 95 % of the time. The uncertainty is rounded up, never down.
func Measured(v, u float64, decimals int, unit string) Figure {
	if !Finite(v) {
		return Figure{}
	}
	f := Figure{Value: Fixed(v, decimals), Unit: unit}
	if Finite(u) && u > 0 {
		scale := math.Pow(10, float64(decimals))
		f.U = Fixed(math.Ceil(2*u*scale-1e-9)/scale, decimals)
	}
	return f
}

// Gap gives a gap of v mm.
func Gap(v, u float64) Figure { return Measured(v, u, 2, "mm") }

// Milliseconds gives a time of v seconds in milliseconds.
func Milliseconds(v, u float64) Figure { return Measured(v*1e3, u*1e3, 0, "ms") }

// OfAlarm gives the value of an alarm in its own unit.
func OfAlarm(v, u float64, unit string) Figure {
	if unit == "s" && v == 0 {
		return Figure{} // what lasted no time at all has no figure
	}
	switch {
	case unit == "mm":
		return Gap(v, u)
	case unit == "s" && math.Abs(v) < 10:
		return Milliseconds(v, u)
	case unit == "s":
		return Measured(v, u, 0, "s")
	case unit == "d":
		f := Measured(v, u, 0, "days")
		if f.Value == "1" {
			f.Unit = "day"
		}
		return f
	case v == math.Trunc(v):
		return Measured(v, u, 0, unit)
	}
	return Measured(v, u, 2, unit)
}

// OfLimit is the limit that the value of an alarm is held against, in the unit
// in which that is told.
func OfLimit(limit, v float64, unit string) Figure {
	if unit == "s" && math.Abs(v) >= 10 && math.Abs(limit) < 10 {
		return Figure{Value: Exact(limit), Unit: "s"}
	}
	return OfAlarm(limit, 0, unit)
}

// Fixed is a number with so many decimals.
func Fixed(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-") // no minus zero
	}
	return text
}

// Exact is a number of the site file as it was written there.
func Exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Grouped is a whole number with its thousands apart, "12 345" with narrow
// spaces.
func Grouped(n int64) string {
	text := strconv.FormatInt(n, 10)
	for i := len(text) - 3; i > 0 && text[i-1] != '-'; i -= 3 {
		text = text[:i] + "\u202f" + text[i:]
	}
	return text
}

// Finite reports whether there is a value, and one that can be written down.
func Finite(v float64) bool { return analysis.Has(v) && !math.IsInf(v, 0) }

// latest is the last moment that is shown as a date: int64 nanoseconds reach
// to April 2262.
const latestNS = 9.2e18

// When turns nanoseconds since 1970 into a time of a zone; ok is
// false for what is no date.
func When(ns float64, zone *time.Location) (t time.Time, ok bool) {
	if !Finite(ns) || ns < 0 || ns > latestNS {
		return time.Time{}, false
	}
	return time.Unix(0, int64(ns)).In(zone), true
}

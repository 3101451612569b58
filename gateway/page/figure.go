package page

import (
	"math"
	"strconv"
	"strings"
	"time"

	"gapward/analysis"
)

// figure is a value as people read it. The zero figure is one that wasn't
// measured.
type figure struct {
	Value string // "2.31"
	U     string // expanded uncertainty, "0.04"; empty where there is none
	Unit  string
}

// Known reports whether there is a value.
func (f figure) Known() bool { return f.Value != "" }

// String is the figure on one line, which doesn't break within it.
func (f figure) String() string {
	if !f.Known() {
		return "–"
	}
	text := f.Value
	if f.U != "" {
		text += " ± " + f.U
	}
	return strings.ReplaceAll(strings.TrimSpace(text+" "+f.Unit), " ", "\u00a0")
}

// measured is a value with twice its standard uncertainty u, which covers the
// truth 95 % of the time. The uncertainty is rounded up, never down.
func measured(v, u float64, decimals int, unit string) figure {
	if !finite(v) {
		return figure{}
	}
	f := figure{Value: fixed(v, decimals), Unit: unit}
	if finite(u) && u > 0 {
		scale := math.Pow(10, float64(decimals))
		f.U = fixed(math.Ceil(2*u*scale-1e-9)/scale, decimals)
	}
	return f
}

func gapFigure(v, u float64) figure { return measured(v, u, 2, "mm") }

// msFigure gives a time of v seconds in milliseconds.
func msFigure(v, u float64) figure { return measured(v*1e3, u*1e3, 0, "ms") }

// alarmFigure gives the value of an alarm in its own unit.
func alarmFigure(v, u float64, unit string) figure {
	switch {
	case unit == "mm":
		return gapFigure(v, u)
	case unit == "s" && math.Abs(v) < 10:
		return msFigure(v, u)
	case unit == "s":
		return measured(v, u, 0, "s")
	case unit == "d":
		f := measured(v, u, 0, "days")
		if f.Value == "1" {
			f.Unit = "day"
		}
		return f
	case v == math.Trunc(v):
		return measured(v, u, 0, unit)
	}
	return measured(v, u, 2, unit)
}

func fixed(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-") // no minus zero
	}
	return text
}

// exact is a number of the site file as it was written there.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// grouped is a whole number with its thousands apart, "12 345" with narrow
// spaces.
func grouped(n int64) string {
	text := strconv.FormatInt(n, 10)
	for i := len(text) - 3; i > 0 && text[i-1] != '-'; i -= 3 {
		text = text[:i] + "\u202f" + text[i:]
	}
	return text
}

func finite(v float64) bool { return analysis.Has(v) && !math.IsInf(v, 0) }

// latest is the last moment that is shown as a date: int64 nanoseconds reach
// to April 2262.
const latestNS = 9.2e18

// when turns nanoseconds since 1970 into a time of the page's zone; ok is
// false for what is no date.
func when(ns float64, zone *time.Location) (t time.Time, ok bool) {
	if !finite(ns) || ns < 0 || ns > latestNS {
		return time.Time{}, false
	}
	return time.Unix(0, int64(ns)).In(zone), true
}

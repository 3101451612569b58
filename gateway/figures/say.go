package figures

import (
	"fmt"
	"math"
	"time"
	"unicode"

	"gapward/analysis"
)

const day = 24 * time.Hour

// Horizon is how far ahead a date is still worth telling.
const Horizon = 20 * 365 * day

// SayDay is a whole day, with its year where it lies far enough off to be
// mistaken.
func SayDay(t, now time.Time) string {
	if d := t.Sub(now); d > 300*day || d < -300*day {
		return t.Format("2 Jan 2006")
	}
	return t.Format("2 Jan")
}

// sayBetween is a span of days, what they share said once.
func sayBetween(from, to, now time.Time) string {
	a, b := SayDay(from, now), SayDay(to, now)
	switch {
	case a == b:
		return "on " + a
	case from.Year() == to.Year() && from.Month() == to.Month():
		return fmt.Sprintf("between %d and %s", from.Day(), b)
	}
	return "between " + a + " and " + b
}

// sayAhead is a length of time in round words.
func sayAhead(d time.Duration) string {
	days := d.Hours() / 24
	count := func(n float64, one, many string) string {
		if n = math.Round(n); n > 1 {
			return fmt.Sprintf("about %.0f %s", n, many)
		}
		return "about one " + one
	}
	switch {
	case days < 1:
		return "less than a day"
	case days < 13.5:
		return count(days, "day", "days")
	case days < 63:
		return count(days/7, "week", "weeks")
	case days < 700:
		return count(days/30.44, "month", "months")
	}
	return count(days/365.25, "year", "years")
}

// SayForecast is the forecast of one limit in words. verb is what is then to
// be done.
func SayForecast(f analysis.Forecast, verb string, now time.Time) string {
	zone := now.Location()
	early, hasEarly := When(f.DateNS.P05, zone)
	middle, hasMiddle := When(f.DateNS.P50, zone)
	late, hasLate := When(f.DateNS.P95, zone)
	switch {
	case !hasMiddle && !hasEarly:
		return "no wear seen yet"
	case !hasMiddle && early.Sub(now) > Horizon:
		return fmt.Sprintf("no wear seen yet, not within %.0f years", Horizon.Hours()/24/365)
	case !hasMiddle:
		return "no wear seen yet, not before " + SayDay(early, now)
	case middle.Sub(now) <= 0:
		return verb + " now"
	case hasEarly && early.Sub(now) > Horizon:
		return fmt.Sprintf("not within %.0f years", Horizon.Hours()/24/365)
	case !hasEarly:
		return fmt.Sprintf("%s in %s", verb, sayAhead(middle.Sub(now)))
	}
	if early.Before(now) {
		early = now
	}
	if middle.Sub(now) > Horizon {
		return "not before " + SayDay(early, now) + " (19 in 20)"
	}
	if !hasLate || late.Sub(now) > Horizon {
		return fmt.Sprintf("%s in %s (not before %s, 19 in 20)", verb, sayAhead(middle.Sub(now)), SayDay(early, now))
	}
	return fmt.Sprintf("%s in %s (%s, 9 in 10)", verb, sayAhead(middle.Sub(now)), sayBetween(early, late, now))
}

// Outlook is what lies ahead of a brake in words, from its verdict and the
// forecasts for both limits; nil is one that isn't there.
func Outlook(v analysis.Verdict, adjust, most *analysis.Forecast, now time.Time) string {
	switch {
	case v.State == analysis.StopUsing:
		return "stop using it now"
	case v.State == analysis.AdjustDue && most != nil:
		return "adjust now; " + SayForecast(*most, "at its maximum", now)
	case v.State == analysis.AdjustDue:
		return "adjust now"
	case adjust == nil:
		return ""
	}
	return SayForecast(*adjust, "adjust", now)
}

// Margin is where a gap stands against the limit that matters, in words; empty
// where there is no gap.
func Margin(v analysis.Verdict, l analysis.Limits) string {
	if !Finite(v.GapMM) {
		return ""
	}
	beyond := func(by float64, what string, limit float64) string {
		if by >= 0.005 {
			return fmt.Sprintf("%s mm beyond %s %s", Fixed(by, 2), what, Exact(limit))
		}
		return fmt.Sprintf("%s %s reached, or not ruled out", what, Exact(limit))
	}
	switch v.State {
	case analysis.StopUsing:
		return beyond(v.GapMM-l.MaxMM, "max", l.MaxMM)
	case analysis.AdjustDue:
		return beyond(v.GapMM-l.AdjustMM, "adjust", l.AdjustMM)
	case analysis.TooNarrow:
		if by := l.MinMM - v.GapMM; by >= 0.005 {
			return fmt.Sprintf("%s mm below min %s", Fixed(by, 2), Exact(l.MinMM))
		}
		return fmt.Sprintf("below min %s, or not ruled out", Exact(l.MinMM))
	}
	return fmt.Sprintf("%s mm before adjust %s", Fixed(max(0, l.AdjustMM-v.GapMM), 2), Exact(l.AdjustMM))
}

// SaySince is how long ago something was, and at what time.
func SaySince(ns int64, now time.Time) string {
	t := time.Unix(0, ns).In(now.Location())
	switch age := now.Sub(t); {
	case age < 0 || sameDay(t, now):
		return t.Format("15:04")
	case sameDay(t, now.AddDate(0, 0, -1)):
		return "yesterday " + t.Format("15:04")
	case age < 300*day:
		return t.Format("2 Jan 15:04")
	}
	return t.Format("2 Jan 2006 15:04")
}

func sameDay(a, b time.Time) bool {
	return a.Year() == b.Year() && a.YearDay() == b.YearDay()
}

// SayUntil is a time ahead: of today by its hour, else with its day.
func SayUntil(ns int64, now time.Time) string {
	t := time.Unix(0, ns).In(now.Location())
	if sameDay(t, now) {
		return t.Format("15:04")
	}
	return t.Format("2 Jan 15:04")
}

// SayAgo is an age in one unit.
func SayAgo(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "less than a minute ago"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 2*day:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d/day))
}

// Tied keeps lines from breaking between a number and what it counts, and
// within odds such as 9 in 10.
func Tied(words string) string {
	letters := []rune(words)
	for i := 1; i+1 < len(letters); i++ {
		odds := i >= 2 && letters[i-2] == 'i' && letters[i-1] == 'n' && unicode.IsDigit(letters[i+1])
		if letters[i] == ' ' && (unicode.IsDigit(letters[i-1]) && letters[i+1] != '(' || odds) {
			letters[i] = '\u00a0'
		}
	}
	return string(letters)
}

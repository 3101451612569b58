package page

import (
	"fmt"
	"math"
	"time"
	"unicode"

	"gapward/analysis"
)

const day = 24 * time.Hour

// horizon is how far ahead a date is still worth telling.
const horizon = 20 * 365 * day

// sayDay is a whole day, with its year where it lies far enough off to be
// mistaken.
func sayDay(t, now time.Time) string {
	if d := t.Sub(now); d > 300*day || d < -300*day {
		return t.Format("2 Jan 2006")
	}
	return t.Format("2 Jan")
}

// sayBetween is a span of days, what they share said once.
func sayBetween(from, to, now time.Time) string {
	a, b := sayDay(from, now), sayDay(to, now)
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

// sayForecast is the forecast of one limit in words. verb is what is then to
// be done.
func sayForecast(f analysis.Forecast, verb string, now time.Time) string {
	zone := now.Location()
	early, hasEarly := when(f.DateNS.P05, zone)
	middle, hasMiddle := when(f.DateNS.P50, zone)
	late, hasLate := when(f.DateNS.P95, zone)
	switch {
	case !hasMiddle && !hasEarly:
		return "no wear seen yet"
	case !hasMiddle && early.Sub(now) > horizon:
		return fmt.Sprintf("no wear seen yet, not within %.0f years", horizon.Hours()/24/365)
	case !hasMiddle:
		return "no wear seen yet, not before " + sayDay(early, now)
	case middle.Sub(now) <= 0:
		return verb + " now"
	case hasEarly && early.Sub(now) > horizon:
		return fmt.Sprintf("not within %.0f years", horizon.Hours()/24/365)
	case !hasEarly:
		return fmt.Sprintf("%s in %s", verb, sayAhead(middle.Sub(now)))
	}
	if early.Before(now) {
		early = now
	}
	if middle.Sub(now) > horizon {
		return "not before " + sayDay(early, now) + " (19 in 20)"
	}
	if !hasLate || late.Sub(now) > horizon {
		return fmt.Sprintf("%s in %s (not before %s, 19 in 20)", verb, sayAhead(middle.Sub(now)), sayDay(early, now))
	}
	return fmt.Sprintf("%s in %s (%s, 9 in 10)", verb, sayAhead(middle.Sub(now)), sayBetween(early, late, now))
}

// outlook is what lies ahead of the brake in words.
func (s *standing) outlook(now time.Time) string {
	switch {
	case s.judged && s.verdict.State == analysis.StopUsing:
		return "stop using it now"
	case s.judged && s.verdict.State == analysis.AdjustDue && s.foretold["max"]:
		return "adjust now; " + sayForecast(s.max, "at its maximum", now)
	case s.judged && s.verdict.State == analysis.AdjustDue:
		return "adjust now"
	case !s.foretold["adjust"]:
		return ""
	}
	return sayForecast(s.adjust, "adjust", now)
}

// margin is where the gap stands against the limit that matters, in words.
func (s *standing) margin() string {
	if !s.hasGap() {
		return ""
	}
	l, gap := s.brake.Limits, s.verdict.GapMM
	beyond := func(by float64, what string, limit float64) string {
		if by >= 0.005 {
			return fmt.Sprintf("%s mm beyond %s %s", fixed(by, 2), what, exact(limit))
		}
		return fmt.Sprintf("%s %s reached, or not ruled out", what, exact(limit))
	}
	switch s.verdict.State {
	case analysis.StopUsing:
		return beyond(gap-l.MaxMM, "max", l.MaxMM)
	case analysis.AdjustDue:
		return beyond(gap-l.AdjustMM, "adjust", l.AdjustMM)
	case analysis.TooNarrow:
		if by := l.MinMM - gap; by >= 0.005 {
			return fmt.Sprintf("%s mm below min %s", fixed(by, 2), exact(l.MinMM))
		}
		return fmt.Sprintf("below min %s, or not ruled out", exact(l.MinMM))
	}
	return fmt.Sprintf("%s mm before adjust %s", fixed(max(0, l.AdjustMM-gap), 2), exact(l.AdjustMM))
}

// saySince is how long ago something was, and at what time.
func saySince(ns int64, now time.Time) string {
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

// sayAgo is an age in one unit.
func sayAgo(d time.Duration) string {
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

// tied keeps lines from breaking between a number and what it counts, and
// within odds such as 9 in 10.
func tied(words string) string {
	letters := []rune(words)
	for i := 1; i+1 < len(letters); i++ {
		odds := i >= 2 && letters[i-2] == 'i' && letters[i-1] == 'n' && unicode.IsDigit(letters[i+1])
		if letters[i] == ' ' && (unicode.IsDigit(letters[i-1]) && letters[i+1] != '(' || odds) {
			letters[i] = '\u00a0'
		}
	}
	return string(letters)
}

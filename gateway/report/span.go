package report

import (
	"fmt"
	"time"
)

// ParseBeginning reads where a span begins: a day of a zone, or a time. An empty
// one is otherwise.
func ParseBeginning(text string, otherwise time.Time, zone *time.Location) (time.Time, error) {
	if text == "" {
		return otherwise, nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil {
		return t, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil || t.Year() < 1970 || t.Year() > 2200 {
		return time.Time{}, fmt.Errorf("%q is no day and no time; write it as 2026-05-04 or 2026-05-04T10:00:00Z", text)
	}
	return t, nil
}

// ParseEnd reads where a span ends: a day counts to its end, in the zone of now.
// An empty one, and one in the future, is now.
func ParseEnd(text string, now time.Time) (time.Time, error) {
	t, err := ParseBeginning(text, now, now.Location())
	if err != nil {
		return t, err
	}
	if _, err := time.Parse(time.DateOnly, text); err == nil {
		t = t.AddDate(0, 0, 1)
	}
	if t.After(now) {
		t = now
	}
	return t, nil
}

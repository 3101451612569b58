package configs

import (
	"testing"
	"time"

	"gapward/sensors"
)

// TestDurationAdvice holds what is said to those who write durations as people
// do.
func TestDurationAdvice(t *testing.T) {
	for text, want := range map[string]string{
		"20 ms": "write 20ms", "20msec": "write 20ms", "1.5 seconds": "write 1.5s", "3 min": "write 3m",
		"2 hours": "write 2h", "100 µs": "write 100us", "2d": "the longest unit is the hour: write 48h",
		"2 weeks": "write 20ms", "ms": "write 20ms", `"20"`: "write 20ms", "1.5d": "write 20ms",
	} {
		_, problems := Parse("site.yaml", []byte("site: Heron Yard\nbrakes:\n- name: a\n  limits_mm: {min: 1, target: 2, adjust: 3, max: 4}\n  signals: {travel: {poll: "+text+"}}\n"), Replay)
		if len(problems) != 1 || problems[0].Advice != want || problems[0].Line != 5 {
			t.Errorf("%s: got %v, want one problem in line 5 with the advice %q", text, problems, want)
		}
	}
}

// TestDurations holds that what Go calls a duration is one here, and that
// nought needs no unit.
func TestDurations(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"20ms": 20 * time.Millisecond, "1m30s": 90 * time.Second, "0.5s": 500 * time.Millisecond, `"7s"`: 7 * time.Second,
	} {
		site, problems := Parse("site.yaml", []byte("site: Heron Yard\nbrakes:\n- name: a\n  limits_mm: {min: 1, target: 2, adjust: 3, max: 4}\n  signals: {travel: {poll: "+text+"}}\n"), Replay)
		if len(problems) > 0 {
			t.Errorf("%s: %s", text, lines(problems))
			continue
		}
		if w, _ := site.Brakes[0].Signals.Of(sensors.Travel); w.Poll != want {
			t.Errorf("%s is read as %s, want %s", text, w.Poll, want)
		}
	}
	site, problems := Parse("site.yaml", []byte("site: Heron Yard\nbrakes:\n- name: a\n  limits_mm: {min: 1, target: 2, adjust: 3, max: 4}\n  timing: {release: 0, set: 0s}\n"), Replay)
	if len(problems) > 0 || site.Brakes[0].Timing.Release != 0 {
		t.Errorf("a check switched off with 0: %v", problems)
	}
}

func TestSpanAndShort(t *testing.T) {
	for d, want := range map[time.Duration]string{
		time.Hour: "1h", 90 * time.Minute: "1h30m", time.Minute: "1m", 61 * time.Second: "1m1s", 0: "0s", 20 * time.Millisecond: "20ms",
	} {
		if got := span(d); got != want {
			t.Errorf("span(%v) = %s, want %s", d, got, want)
		}
	}
	for d, want := range map[time.Duration]string{
		8164966: "8.16ms", 51823917: "51.8ms", 3: "3ns", 0: "0s", 1234567890: "1.23s",
	} {
		if got := short(d); got != want {
			t.Errorf("short(%v) = %s, want %s", d, got, want)
		}
	}
}

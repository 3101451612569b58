package simulator

import (
	"os"
	"slices"
	"testing"
	"time"
)

func TestParseScenario(t *testing.T) {
	data, err := os.ReadFile("testdata/week.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := ParseScenario("week.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	want := []Event{
		{At: monday().Add(36 * time.Hour), After: 36 * time.Hour, Brake: "quay-2/main", Fault: NotFreeing, Lasts: 10 * time.Minute},
		{At: time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC), Brake: "quay-2/main", Fault: Adjusted, Amount: 0.5},
		{At: monday().Add(40 * time.Hour), After: 40 * time.Hour, Brake: "quay-2/creep", Fault: ProbeFrozen, Off: true},
	}
	if got := s.From(monday()); !slices.Equal(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestParseScenarioRefuses(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"nothing", "", "s.yaml: it is empty; it must have a list of events"},
		{"no mapping", "- a", "s.yaml:1:1: must be a mapping with the key events"},
		{"another key", "faults: []", `s.yaml:1:1: unknown or repeated key "faults"; there is one, events`},
		{"no list", "events: 3", "s.yaml:1:1: events must be a list"},
		{"broken YAML", "events: [", "s.yaml: line 1: did not find expected node content"},
		{"no event", "events:\n  - melted", "s.yaml:2:5: an event must be a mapping, such as {after: 1h, brake: quay-2/main, fault: not-freeing}"},
		{"unknown key", "events:\n  - {after: 1h, brake: a, fault: wire-break, size: 3}", `s.yaml:2:46: unknown key "size"; an event has at or after, brake, fault, amount, lasts and off`},
		{"key twice", "events:\n  - {after: 1h, after: 2h}", "s.yaml:2:17: the key after stands twice"},
		{"no time", "events:\n  - {brake: a, fault: wire-break}", "s.yaml:2:5: an event needs either at or after"},
		{"two times", "events:\n  - {at: 2026-03-01T06:00:00Z, after: 1h, brake: a, fault: wire-break}", "s.yaml:2:5: an event needs either at or after"},
		{"bad time", "events:\n  - {at: tomorrow}", `s.yaml:2:10: at is "tomorrow"; it must be a time such as 2026-03-01T06:00:00Z`},
		{"bad duration", "events:\n  - {after: 3}", `s.yaml:2:13: after is "3"; it must be a duration such as 90s or 36h`},
		{"bad amount", "events:\n  - {after: 1h, amount: much}", `s.yaml:2:25: amount is "much"; it must be a number`},
		{"unknown fault", "events:\n  - {after: 1h, brake: a, fault: melted}", `s.yaml:2:5: unknown fault "melted"; it must be one of ` + faultNames()},
		{"nested", "events:\n  - {after: [1h]}", "s.yaml:2:13: after must be a single value"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseScenario("s.yaml", []byte(c.text))
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

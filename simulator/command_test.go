package simulator

import (
	"strings"
	"testing"
	"time"
)

func TestParseCommand(t *testing.T) {
	for line, want := range map[string]Event{
		"probe-bumped quay-2/main 0.4":         {Fault: ProbeBumped, Brake: "quay-2/main", Amount: 0.4},
		"  probe-bumped\tquay-2/main  -0.4 ":   {Fault: ProbeBumped, Brake: "quay-2/main", Amount: -0.4},
		"dragging quay-2/main 0.5 lasts 2m":    {Fault: Dragging, Brake: "quay-2/main", Amount: 0.5, Lasts: 2 * time.Minute},
		"not-freeing quay-2/main lasts 1500ms": {Fault: NotFreeing, Brake: "quay-2/main", Lasts: 1500 * time.Millisecond},
		"not-freeing quay-2/main":              {Fault: NotFreeing, Brake: "quay-2/main"},
		"off not-freeing quay-2/main":          {Fault: NotFreeing, Brake: "quay-2/main", Off: true},
	} {
		if got, err := ParseCommand(line); err != nil || got != want {
			t.Errorf("%q: %+v, %v", line, got, err)
		}
	}
	for line, want := range map[string]string{
		"":                                      "write FAULT BRAKE",
		"off":                                   "write FAULT BRAKE",
		"not-freeing":                           "write FAULT BRAKE",
		"off probe-bumped quay-2/main":          "happens once",
		"unhinged quay-2/main":                  `unknown fault "unhinged"; it must be one of wear-fast`,
		"probe-bumped quay-2/main much":         `the amount is "much"`,
		"probe-bumped quay-2/main 0.4 0.5":      `"0.5" isn't understood`,
		"not-freeing quay-2/main lasts":         `"lasts" isn't understood`,
		"not-freeing quay-2/main lasts forever": `it lasts "forever"`,
		"not-freeing quay-2/main lasts -1s":     `it lasts "-1s"`,
		"not-freeing quay-2/main 0.4":           "must lie between",
		"dragging quay-2/main NaN":              "must lie between",
	} {
		if ev, err := ParseCommand(line); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %+v, %v; want an error with %s", line, ev, err, want)
		}
	}
}

// What is typed may be anything; what is taken from it is an event in order.
func FuzzParseCommand(f *testing.F) {
	f.Add("probe-bumped quay-2/main 0.4")
	f.Add("off dragging quay-2/main")
	f.Add("dragging q 1 lasts 3s")
	f.Fuzz(func(t *testing.T, line string) {
		ev, err := ParseCommand(line)
		if err == nil && (ev.Validate() != nil || ev.Brake == "" || !ev.At.IsZero()) {
			t.Errorf("%q gives %+v", line, ev)
		}
	})
}

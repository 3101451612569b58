package analysis

import (
	"strings"
	"testing"

	"gapward/sensors"
)

// The four signals of NAMUR NE 107:2017, as its publisher's abstract names them:
// each is one of ours and the other way round, in the same order.
func TestCategoriesAreThoseOfNE107(t *testing.T) {
	ours := map[string]Category{"Failure": Failure, "Function check": CheckFunction,
		"Out of specification": OutOfSpecification, "Maintenance required": MaintenanceRequired}
	rank := 0
	for _, row := range table(t, "namur_ne107.csv") {
		if row["letter"] == "-" { // all is well
			continue
		}
		c, ok := ours[row["signal"]]
		if !ok || rank >= len(Categories()) || Categories()[rank] != c {
			t.Errorf("%s is no category, or not the %d. of them", row["signal"], rank+1)
		}
		rank++
	}
	if rank != 4 {
		t.Errorf("%d categories compared", rank)
	}
	if got := MaintenanceRequired.Graver(OutOfSpecification); got != OutOfSpecification {
		t.Errorf("graver is %q", got)
	}
	if got := Category("").Graver(""); got != "" {
		t.Errorf("nothing is graver than nothing: %q", got)
	}
}

func TestEveryConditionHasACategory(t *testing.T) {
	for _, c := range Conditions() {
		category := CategoryOf(c, "")
		if category == "" || category == CheckFunction {
			t.Errorf("%s: %q", c, category)
		}
		if (strings.HasPrefix(string(c), "not-") || c == SignalStale) && category != Failure {
			t.Errorf("%s is a %s", c, category)
		}
	}
}

// A probe that breaks and one that is moved raise the same condition, and are not
// as bad as each other.
func TestMovedProbeIsNoFailure(t *testing.T) {
	b, out := New(handSettings()), &Out{}
	b.tellProbe(Cycle{Flags: FlagBumped, GapMM: 2}, out)
	b.signalFinding(SignalFault, sensors.Travel, 1, 0.3, out)
	b.signalFinding(SignalStale, sensors.Travel, -1, 0, out)
	want := []Category{MaintenanceRequired, Failure, ""}
	for i, f := range out.Findings {
		if got := f.Category(); got != want[i] {
			t.Errorf("finding %d, %s in %s: %q, want %q", i, f.Condition, f.Unit, got, want[i])
		}
	}
	if len(out.Findings) != len(want) {
		t.Errorf("%d findings", len(out.Findings))
	}
}

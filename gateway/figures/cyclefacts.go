package figures

import (
	"slices"

	"gapward/analysis"
)

// Fact is a figure and what it is of.
type Fact struct {
	What  string
	Value Figure
}

// CycleFacts are what was measured on a cycle: what its plot shows.
func CycleFacts(c analysis.Cycle) []Fact {
	facts := []Fact{
		{"Travel, set", Measured(c.SetLevelMM, 0, 3, "mm")},
		{"Travel, released", Measured(c.ReleasedLevelMM, 0, 3, "mm")},
		{"Air gap of this cycle", Measured(c.GapMM, c.GapUMM, 3, "mm")},
		{"Drive on for", Measured(float64(c.OnNS)*1e-9, 0, 2, "s")},
		{"Release time", Milliseconds(c.ReleaseS, c.ReleaseUS)},
		{"Set time", Milliseconds(c.SetS, c.SetUS)},
		{"Temperature", Measured(c.TemperatureC, 0, 1, "°C")},
	}
	return slices.DeleteFunc(facts, func(f Fact) bool { return !f.Value.Known() })
}

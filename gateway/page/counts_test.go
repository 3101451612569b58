package page

import (
	"testing"

	"gapward/sensors"
)

// A brake with its drive alone has no jogs that anybody could tell, and one
// without signals no count that could be nought.
func TestCyclesInWords(t *testing.T) {
	for want, signals := range map[string][]sensors.Signal{
		"1\u202f200 full, 12 jogs":              {sensors.Travel, sensors.Drive},
		"1\u202f200 full, 12 jogs ":             {sensors.Drive, sensors.Released},
		"1\u202f212 full or jogs":               {sensors.Drive},
		"not counted: the brake has no signals": nil,
	} {
		if got := countWords(signals, 1200, 12); got != want && got+" " != want {
			t.Errorf("with %v it reads %q, want %q", signals, got, want)
		}
	}
}

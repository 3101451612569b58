package analysis

import (
	"testing"

	"gapward/sensors"
)

// An adjustment moves the set level up towards the released one, which stays.
// However short the rest in which it happens, the smaller gap is a new gap and
// no brake that frees in part only.
func TestAdjustmentIsNoPartialRelease(t *testing.T) {
	for name, at := range map[string]float64{"just after setting": 101.0, "late in a rest": 102.8, "in a long rest": 250} {
		t.Run(name, func(t *testing.T) {
			runs := evenRuns(20, 3, 2)
			for i := range 60 {
				start := 103.0 + 5*float64(i)
				if at > 200 {
					start += 400
				}
				runs = append(runs, [2]float64{start, start + 2})
			}
			h := newHand(runs...)
			h.travel = func(s, mm float64) (float64, sensors.Quality) {
				if s > at {
					share := (mm - 3) / h.gapMM
					mm += 0.5 * (1 - share)
				}
				return mm, sensors.Good
			}
			out := feed(handSettings(), h.samples(9))
			for _, f := range conditions(out, NotReleased) {
				t.Errorf("%.1f s: %+v", secondsAfter(f, 0), f)
			}
			last := out.Verdicts[len(out.Verdicts)-1]
			near(t, "gap", last.GapMM, 1.5, 0.01)
		})
	}
}

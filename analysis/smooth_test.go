package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Times seen by polling have triangular errors with variance T²/6 (design of
// the times: two edges, each uniform over a poll). From the first cycles on ± 2u
// must hold the truth about 19 times in 20, and never because a few cycles
// happened to agree.
func TestSmoothedTimesAreNeverSurerThanTheirCycles(t *testing.T) {
	const poll, truth = 0.020, 0.160
	u := poll / math.Sqrt(6)
	rng := rand.New(rand.NewPCG(7, 11))
	for _, cycles := range []int{2, 3, 5, 8, 12, 40} {
		held, narrowest := 0, math.Inf(1)
		const runs = 4000
		for range runs {
			var s smooth
			for range cycles {
				s.add(truth+(rng.Float64()-rng.Float64())*poll, u)
			}
			mean, got := s.value()
			narrowest = math.Min(narrowest, got)
			if math.Abs(mean-truth) <= 2*got {
				held++
			}
		}
		if share := float64(held) / runs; share < 0.93 {
			t.Errorf("of the means of %d cycles %.3f are within 2u of the truth, not 0.95", cycles, share)
		}
		if least := 0.6 * u / math.Sqrt(math.Min(float64(cycles), smoothOver)); narrowest < least {
			t.Errorf("the mean of %d cycles calls itself as sure as %.2f ms; each is sure to %.2f ms", cycles, narrowest*1e3, u*1e3)
		}
	}
}

// A single time has its own uncertainty, where it states one.
func TestOneTimeIsAsSureAsItSays(t *testing.T) {
	var s smooth
	s.add(0.160, 0.008)
	if mean, u := s.value(); mean != 0.160 || math.Abs(u-0.008) > 1e-12 {
		t.Errorf("got %g ± %g, want 0.16 and 0.008", mean, u)
	}
	s = smooth{}
	s.add(0.160, NoValue())
	if _, u := s.value(); Has(u) {
		t.Errorf("one time that states no uncertainty has u %g, want none", u)
	}
}

// One cycle that tells next to nothing, from a poll that stood still for a while,
// neither moves the mean by much nor makes it look unknown.
func TestOnePoorCycleSpoilsNoMean(t *testing.T) {
	const u = 0.008
	rng := rand.New(rand.NewPCG(3, 5))
	var s smooth
	for range 12 {
		s.add(0.160+u*rng.NormFloat64(), u)
	}
	before, uBefore := s.value()
	s.add(0.037, 0.2)
	mean, uAfter := s.value()
	if math.Abs(mean-before) > 0.004 || uAfter > 2*uBefore || uAfter < uBefore {
		t.Errorf("a poor cycle takes %.1f ± %.1f ms to %.1f ± %.1f ms", before*1e3, 2e3*uBefore, mean*1e3, 2e3*uAfter)
	}
}

package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// What a prior makes of the law of a rate is what direct integration makes of
// it, whichever of the two is the wider.
func TestPriorOfTheRateAgainstIntegration(t *testing.T) {
	for _, c := range []struct{ m, s, mean, sd float64 }{
		{1e-4, 1e-5, math.Log(1e-4), 0.5},
		{1e-4, 5e-5, math.Log(2e-4), 0.5},
		{1e-4, 8e-5, math.Log(1e-4), 3},
		{1e-4, 4e-5, math.Log(1e-4/3) + 9, 3}, // flat in the rate itself
		{3e-5, 1e-3, math.Log(1e-4), 0.45},
	} {
		p := part{belief: belief{m: c.m, mm: c.s * c.s}}
		p.reweigh(lognormal{c.mean, c.sd})
		var sum, m1, m2 float64
		const n = 400_000
		for i := range n {
			l := math.Log(c.m) - 14 + 20*(float64(i)+0.5)/n
			x := math.Exp(l)
			d, y := (x-c.m)/c.s, (l-c.mean)/c.sd
			w := math.Exp(-d*d/2-y*y/2) / (c.s * c.sd * math.Sqrt(2*math.Pi)) * 20 / n
			sum += w
			m1 += w * x
			m2 += w * x * x
		}
		near(t, "mean", p.m/(m1/sum), 1, 0.04)
		near(t, "standard deviation", math.Sqrt(p.mm)/math.Sqrt(m2/sum-m1*m1/sum/sum), 1, 0.05)
		near(t, "weight", p.weight, math.Log(sum), 0.05)
	}
}

// One reading in a hundred that is off by 20 standard deviations makes the noise
// seem no greater than it is.
func TestBadReadingsDoNotWidenTheNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 4))
	var sum float64
	const lives = 60
	for range lives {
		s := scale{variance: 1, dof: 14}
		for range 400 {
			e := r.NormFloat64()
			if r.Float64() < 0.01 {
				e *= 20
			}
			s.learn(e * e / s.variance)
		}
		sum += s.variance
	}
	near(t, "variance", sum/lives, 1, 0.02)
}

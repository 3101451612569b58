package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// warmDays feeds the gaps of a brake that wears by 0.05 µm a cycle and grows by
// so much a kelvin, over days that are warm at noon. It is adjusted once.
func warmDays(t *thermal, cycles int, umPerK float64) {
	rng := rand.New(rand.NewPCG(5, 5))
	gap := 2.0
	for i := range cycles {
		gap += 0.05e-3
		if i == cycles/2 {
			gap -= 0.4
		}
		tempC := 24 + 6*math.Sin(2*math.Pi*float64(i)/700) + 0.3*rng.NormFloat64()
		t.learn(gap+umPerK*1e-3*(tempC-20)+0.0015*rng.NormFloat64(), 0.0006, tempC)
	}
}

func TestGrowthWithTemperatureIsFitted(t *testing.T) {
	for _, umPerK := range []float64{0, 0.3, -0.25} {
		f := newThermal(nil)
		warmDays(&f, 4000, umPerK)
		if e := f.perK*1e3 - umPerK; math.Abs(e) > 3*f.u*1e3 || f.u*1e3 > 0.05 {
			t.Errorf("%g µm/K fitted as %.3f ± %.3f", umPerK, f.perK*1e3, f.u*1e3)
		}
	}
}

func TestGapIsReferredToTwentyDegrees(t *testing.T) {
	// 2.003 mm at 30 °C with 0.3 ± 0.04 µm/K: 2.000 mm, and
	// u = √(0.5² + (0.04·10)² + (0.3·0.5)²) = √0.4325 = 0.658 µm.
	f := newThermal(&Thermal{UMPerK: 0.3, UUMPerK: 0.04})
	f.learn(2.5, 0.001, 50) // what is given isn't fitted
	g, u := f.refer(2.003, 0.0005, 30)
	near(t, "gap at 20 °C", g, 2, 1e-12)
	near(t, "its u", u*1e3, math.Sqrt(0.4325), 1e-9)

	// Nothing given and nothing seen: unchanged, and less sure the further off.
	f = newThermal(nil)
	g, u = f.refer(2.003, 0.0005, 30)
	near(t, "gap", g, 2.003, 1e-12)
	near(t, "its u", u, math.Hypot(0.0005, 12e-6*20*10), 1e-12)
}

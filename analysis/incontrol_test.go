package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// noiseKind is one way in which measured gaps scatter about the true one. next
// is one error in standard deviations; it keeps what it must in last.
type noiseKind struct {
	name string
	next func(r *rand.Rand, last *float64) float64
	more float64 // false alarms that are granted, as a multiple of what is wanted
}

func noiseKinds() []noiseKind {
	seats := func(theta float64) func(*rand.Rand, *float64) float64 {
		return func(r *rand.Rand, last *float64) float64 {
			a := r.NormFloat64()
			e := (a + theta**last) / math.Sqrt(1+theta*theta)
			*last = a
			return e
		}
	}
	return []noiseKind{
		{"normal", seats(0), 1},
		{"outliers of 20 SDs, 0.5 %", func(r *rand.Rand, _ *float64) float64 {
			e := r.NormFloat64()
			if r.Float64() < 0.005 {
				e *= 20
			}
			return e
		}, 1},
		{"steps of 1 SD", func(r *rand.Rand, _ *float64) float64 { return math.Round(r.NormFloat64()) / math.Sqrt(1+1.0/12) }, 1},
		{"even", func(r *rand.Rand, _ *float64) float64 { return math.Sqrt(3) * (2*r.Float64() - 1) }, 1},
		{"neighbours correlated by 0.2", seats(thetaOf(0.2)), 1},
		{"neighbours correlated by 0.35", seats(thetaOf(0.35)), 1},
		{"seats alone, correlated by 0.5", seats(1), 1},
		{"long tails, Student's t of ten", func(r *rand.Rand, _ *float64) float64 { // Student's t of ten
			var chi float64
			for range 10 {
				z := r.NormFloat64()
				chi += z * z
			}
			return r.NormFloat64() / math.Sqrt(chi/10) * math.Sqrt(0.8)
		}, 1.7},
	}
}

// Without a change the chart of the gap signals at most once in 100,000 cycles,
// however the gaps scatter; where every reading has long tails a little more
// often. In full it runs for ten million cycles a kind:
//
//	go test ./analysis -run FalseAlarmsOfTheGapChart -v -args -full
//
// The bound is the 99.9 % point of Poisson's law about the wanted number.
func TestFalseAlarmsOfTheGapChart(t *testing.T) {
	const each = 20000
	lives := 20
	if *full2000 {
		lives = 500
	}
	charts := NewCharts()
	for i, kind := range noiseKinds() {
		steps := 0
		r := rand.New(rand.NewPCG(uint64(i), 5))
		for range lives {
			w := newWear(limits().Limits, nil, charts)
			gap, last := 1.6, r.NormFloat64()
			for range each {
				gap += 4e-5 + 2e-4*r.NormFloat64()
				if w.add(gap+0.01*kind.next(r, &last), 0.01) != 0 {
					steps++
				}
			}
		}
		n := float64(lives * each)
		t.Logf("%s: %d steps told in %.0f cycles without any, one in %.0f", kind.name, steps, n, n/float64(steps))
		if want := kind.more * n / wantedRunLength; float64(steps) > want+3.1*math.Sqrt(want)+1 {
			t.Errorf("%s: %d steps told in %.0f cycles without any", kind.name, steps, n)
		}
	}
}

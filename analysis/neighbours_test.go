package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// The run length where neighbours are correlated is that of the chart itself,
// by simulation, and where they aren't that of the ordinary solver.
func TestRunLengthOfCorrelatedNeighbours(t *testing.T) {
	sc := changeScore(1.5)
	for _, h := range []float64{1.5, 2, 2.5, 3} {
		r := runLength{1.5, h, sc}
		near(t, "without correlation", math.Log(r.correlated(0)), math.Log(r.oneSided(0)), 0.12)
	}
	r := rand.New(rand.NewPCG(7, 2))
	for _, rho := range []float64{0.1, 0.25, 0.4, 0.5} {
		theta := thetaOf(rho)
		near(t, "rho", theta/(1+theta*theta), rho, 1e-12)
		chart := cusum{k: 1.5, h: 2.5, score: sc}
		alarms, n, last := 0, 600_000, r.NormFloat64()
		for range n {
			a := r.NormFloat64()
			if side, _ := chart.add((a + theta*last) / math.Sqrt(1+theta*theta)); side != 0 {
				alarms++
			}
			last = a
		}
		got, want := float64(n)/float64(alarms), (runLength{1.5, 2.5, sc}).correlated(rho)/2
		if math.Abs(math.Log(got/want)) > 4/math.Sqrt(float64(alarms))+0.08 {
			t.Errorf("rho %g: one alarm in %.0f values in the simulation, %.0f worked out", rho, got, want)
		}
	}
}

// The higher the interval the longer the chart runs, and charts in use run for
// what they are designed for.
func TestIntervalsOfCorrelatedNeighbours(t *testing.T) {
	sc := changeScore(1.5)
	last := 0.0
	for h := 3.0; h < 3.3; h += 0.005 {
		run := (runLength{1.5, h, sc}).correlated(0)
		if run < last {
			t.Fatalf("h %.3f: a run of %.0f, and %.0f a little lower", h, run, last)
		}
		last = run
	}
	plain := runLength{1.5, decisionInterval(1.5, designRunLength, sc), sc}
	for i := range rhoPoints {
		h := plain.intervalFor(rhoAt(i), designRunLength)
		lo, hi := (runLength{1.5, h - 0.005, sc}).correlated(rhoAt(i)), (runLength{1.5, h + 0.005, sc}).correlated(rhoAt(i))
		if lo > 2*designRunLength || hi < 2*designRunLength {
			t.Errorf("rho %.2f: runs from %.0f to %.0f about h %.3f, want %.0f", rhoAt(i), lo, hi, h, 2.0*designRunLength)
		}
	}
}

// What correlates neighbours is learned: within a tenth after a few hundred
// cycles, bad readings or not; and jogs between them don't count as neighbours.
func TestCorrelationOfNeighboursIsLearned(t *testing.T) {
	for _, rho := range []float64{0, 0.25, 0.5} {
		r := rand.New(rand.NewPCG(8, uint64(100*rho)))
		theta := thetaOf(rho)
		n, last := neighbours{}, r.NormFloat64()
		for work := range int64(1500) {
			a := r.NormFloat64()
			e := (a + theta*last) / math.Sqrt(1+theta*theta)
			if work%100 == 7 {
				e = 20
			}
			n.learn(e, 1+work)
			last = a
		}
		near(t, "learned", n.rho(), rho, 0.08)
	}
	n := neighbours{}
	for work := range int64(100) {
		n.learn(1, 2*work+1)
	}
	near(t, "with jogs between them", n.rho(), usualRho, 1e-12)
}

// Where neighbours are correlated a step of three standard deviations is still
// found within six cycles in the median, and within 1.3 times the cycles of the
// plain CUSUM with the best allowance at one false alarm in 100,000.
func TestStepAmongCorrelatedNeighbours(t *testing.T) {
	charts := NewCharts()
	r := rand.New(rand.NewPCG(9, 3))
	delays := func(c cusum, theta float64) []float64 {
		var list []float64
		for range 3000 {
			c.reset()
			last := r.NormFloat64()
			for n := 1.0; ; n++ {
				a := r.NormFloat64()
				side, _ := c.add(3 + (a+theta*last)/math.Sqrt(1+theta*theta))
				last = a
				if side != 0 {
					list = append(list, n)
					break
				}
			}
		}
		slices.Sort(list)
		return list
	}
	for _, rho := range []float64{0.25, 0.5} {
		theta := thetaOf(rho)
		best := math.Inf(1)
		for k := 1.0; k <= 2; k += 0.25 {
			h := intervalBySecant(4, 5, 2*wantedRunLength, func(h float64) float64 { return (runLength{k: k, h: h}).correlated(rho) })
			best = min(best, mean(delays(cusum{k: k, h: h}, theta)))
		}
		chart := charts.whole.cusum
		chart.h = charts.whole.interval(rho)
		got := delays(chart, theta)
		t.Logf("rho %g: h %.3f, median %g, mean %.2f cycles, the best plain chart %.2f: %.2f ×", rho, chart.h, got[len(got)/2], mean(got), best, mean(got)/best)
		if got[len(got)/2] > 6 || mean(got) > 1.3*best {
			t.Errorf("rho %g: median %g, mean %.2f cycles, the best plain chart %.2f", rho, got[len(got)/2], mean(got), best)
		}
	}
}

// Brakes that share charts are told the same as those with their own.
func TestChartsMayBeShared(t *testing.T) {
	shared := limits()
	shared.Charts = NewCharts()
	a, b := newCyclesOf(2, limits()), newCyclesOf(2, shared)
	for range 300 {
		a.cycle(GapStep)
		b.cycle(GapStep)
	}
	if a.b.Verdict().GapMM != b.b.Verdict().GapMM || a.b.wear.steps.whole != b.b.wear.steps.whole {
		t.Error("shared charts tell something else")
	}
}

func BenchmarkNew(b *testing.B) {
	s := limits()
	b.Run("own charts", func(b *testing.B) {
		for b.Loop() {
			New(s)
		}
	})
	s.Charts = NewCharts()
	b.Run("shared charts", func(b *testing.B) {
		for b.Loop() {
			New(s)
		}
	})
}

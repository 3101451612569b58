package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func evaluate(t *testing.T, h HandReading) HandGap {
	t.Helper()
	g, err := h.Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// Depths still 41.2, 41.3, 41.2 and running 42.9, 42.9, 43.0: differences 1.7,
// 1.6, 1.8, mean 1.7, squares about it 0.02. Pooled with 5 degrees of freedom
// of 2·0.05²: s² = (0.025 + 0.02)/7 = 0.0064286, u_A = √(s²/3) = 0.046291; the
// scale 0.05·√2/√12 = 0.020412; together 0.050593.
func TestHandReadingByPairsByHand(t *testing.T) {
	g := evaluate(t, HandReading{StillMM: []float64{41.2, 41.3, 41.2}, RunningMM: []float64{42.9, 42.9, 43.0}})
	near(t, "gap", g.GapMM, 1.7, 1e-12)
	near(t, "type A", g.TypeA, 0.046291, 1e-5)
	near(t, "type B", g.TypeB, 0.020412, 1e-5)
	near(t, "degrees of freedom", g.DOF, 7*math.Pow(0.050593/0.046291, 4), 1e-3)
	near(t, "u", g.UMM, 0.050593*twoSigmaT(g.DOF)/2, 1e-5)
	if g.Repeats != 3 {
		t.Errorf("%d repeats", g.Repeats)
	}
	// Depths may run the other way: the port may lie on the other side.
	back := evaluate(t, HandReading{StillMM: []float64{42.9, 42.9, 43.0}, RunningMM: []float64{41.2, 41.3, 41.2}})
	near(t, "gap read from the other side", back.GapMM, 1.7, 1e-12)
	near(t, "its u", back.UMM, g.UMM, 1e-12)
}

// Gaps 1.6 and 1.8 by feeler on a 0.1 mm scale, experience s = 0.08 with 9
// degrees of freedom: s² = (9·0.0064 + 0.02)/10 = 0.00776, u_A = √(0.00776/2);
// scale 0.1/√12 = 0.028868, instrument 0.02.
func TestHandReadingOfGapsByHand(t *testing.T) {
	g := evaluate(t, HandReading{GapsMM: []float64{1.6, 1.8}, ResolutionMM: 0.1, InstrumentUMM: 0.02, RepeatabilitySD: 0.08, RepeatabilityDOF: 9})
	near(t, "gap", g.GapMM, 1.7, 1e-12)
	near(t, "type A", g.TypeA, math.Sqrt(0.00388), 1e-12)
	near(t, "type B", g.TypeB, math.Sqrt(0.01/12+0.0004), 1e-12)
}

// Two still depths 41.2 and 41.3, one running 42.95: 42.95 − 41.25 = 1.7.
// s² = (5·0.0025 + 0.005)/6, times (1/2 + 1).
func TestHandReadingOfUnequalNumbers(t *testing.T) {
	g := evaluate(t, HandReading{StillMM: []float64{41.2, 41.3}, RunningMM: []float64{42.95}})
	near(t, "gap", g.GapMM, 1.7, 1e-12)
	near(t, "type A", g.TypeA, math.Sqrt(0.0175/6*1.5), 1e-12)
}

// JCGM 100:2008, 4.4.3: s/√n of twenty observations is 0.333; with experience
// that says the same of the scatter, pooling doesn't change it.
func TestPooledTypeAAgreesWithGUM(t *testing.T) {
	obs := []float64{96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
		100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72}
	g := evaluate(t, HandReading{GapsMM: obs, RepeatabilitySD: 1.489})
	near(t, "mean", g.GapMM, 100.145, 5e-4)
	near(t, "u", g.TypeA, 0.333, 5e-4)
}

func TestEffectiveDegreesOfFreedomAgainstGUM(t *testing.T) {
	for _, row := range table(t, "welch_satterthwaite.csv") {
		var u, dof []float64
		for i, text := range strings.Split(row["u_i"], ";") {
			nu := strings.Split(row["nu_i"], ";")[i]
			u = append(u, number(t, map[string]string{"v": text}, "v"))
			dof = append(dof, number(t, map[string]string{"v": nu}, "v"))
		}
		near(t, "u_c", combined(u...), number(t, row, "u_c"), 1e-8)
		near(t, "nu_eff", effectiveDOF(u, dof), number(t, row, "nu_eff"), 1e-8)
	}
}

// JCGM 100:2008, table G.2, the column of 95.45 %.
func TestStudentsFactorAgainstGUM(t *testing.T) {
	for _, row := range table(t, "gum_t_factors_two_sigma.csv") {
		dof := number(t, row, "nu")
		if dof < defaultHandDOF {
			continue // never met: experience has at least so many
		}
		near(t, "t at "+row["nu"], twoSigmaT(dof), number(t, row, "t_p"), 0.01)
	}
}

// Whoever scatters as experience says is covered 95 % of the time by ± 2u, from
// the first reading on.
func TestHandReadingCovers(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 11))
	const truth, rounds = 1.7, 4000
	for _, n := range []int{1, 3, 6} {
		hits := 0
		for range rounds {
			h := HandReading{}
			zero := 40 + rnd.Float64()
			for range n {
				h.StillMM = append(h.StillMM, math.Round((zero+0.05*rnd.NormFloat64())/0.05)*0.05)
				h.RunningMM = append(h.RunningMM, math.Round((zero+truth+0.05*rnd.NormFloat64())/0.05)*0.05)
			}
			if g := evaluate(t, h); math.Abs(g.GapMM-truth) <= 2*g.UMM {
				hits++
			}
		}
		if share := float64(hits) / rounds; share < 0.94 || share > 0.995 {
			t.Errorf("with %d pairs ± 2u covers %.3f", n, share)
		}
	}
}

func TestBadHandReadingsAreRefused(t *testing.T) {
	for _, c := range []struct {
		h    HandReading
		says string
	}{
		{HandReading{}, "there is no reading"},
		{HandReading{GapsMM: []float64{1}, StillMM: []float64{2}}, "give one of them"},
		{HandReading{StillMM: []float64{2}}, "motor running are missing"},
		{HandReading{RunningMM: []float64{2}}, "motor still are missing"},
		{HandReading{GapsMM: []float64{-1}}, "a gap of -1 mm can't be"},
		{HandReading{GapsMM: []float64{math.NaN()}}, "can't be"},
		{HandReading{StillMM: []float64{2}, RunningMM: []float64{2000}}, "a depth of 2000 mm can't be"},
		{HandReading{StillMM: []float64{40, 42}, RunningMM: []float64{42, 40}}, "mixed up"},
		{HandReading{StillMM: []float64{40}, RunningMM: []float64{40}}, "show no travel"},
	} {
		if _, err := c.h.Evaluate(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v; want %q", c.h, err, c.says)
		}
	}
}

func TestHandBesideProbe(t *testing.T) {
	if c := Compare(1.75, 0.04, 1.66, 0.03); c.UMM != 0.05 || !c.Agrees {
		t.Errorf("0.09 mm apart, U = 0.10: %+v", c)
	}
	if c := Compare(1.75, 0.04, 1.64, 0.03); c.Agrees {
		t.Errorf("0.11 mm apart, U = 0.10: %+v", c)
	}
}

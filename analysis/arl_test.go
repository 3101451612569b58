package analysis

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// R 4.2.2, spc 0.6.7: xcusum.arl for k 0.25 to 1, h 2 to 10, shifts 0 to 3.
func TestRunLengthsAgainstR(t *testing.T) {
	for _, row := range table(t, "arl_cusum_grid.csv") {
		r := runLength{k: number(t, row, "k"), h: number(t, row, "h")}
		mu := number(t, row, "mu")
		what := "k " + row["k"] + " h " + row["h"] + " shift " + row["mu"]
		near(t, what+" one-sided", r.oneSided(mu), number(t, row, "arl_one_sided"), 1e-6)
		near(t, what+" two-sided", r.twoSided(mu), number(t, row, "arl_two_sided"), 1e-6)
	}
}

// Lucas and Crosier 1982, Vance 1986, Waldmann 1986, Montgomery's table 9.4 and
// others, as printed; the tolerance is that of the print.
func TestRunLengthsAgainstPublishedTables(t *testing.T) {
	n := 0
	for _, row := range table(t, "arl_published.csv") {
		if !strings.HasPrefix(row["scheme"], "CUSUM") || strings.Contains(row["scheme"], "FIR") {
			continue
		}
		var r runLength
		other := false
		for _, p := range strings.Fields(row["parameters"]) {
			name, text, _ := strings.Cut(p, "=")
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case name == "k":
				r.k = v
			case name == "h":
				r.h = v
			case v != 0: // a head start
				other = true
			}
		}
		if other {
			continue
		}
		mu := number(t, row, "mu")
		got := r.oneSided(mu)
		if strings.Contains(row["scheme"], "two-sided") {
			got = r.twoSided(mu)
		}
		n++
		if want := number(t, row, "published"); math.Abs(got-want) > number(t, row, "suggested_abs_tolerance") {
			t.Errorf("%s %s shift %s: %.4f, published %g (%s)", row["scheme"], row["parameters"], row["mu"], got, want, row["source"])
		}
	}
	if n < 20 {
		t.Errorf("only %d published values compared", n)
	}
}

// R spc's xcusum.crit.
func TestDecisionIntervalsAgainstR(t *testing.T) {
	for _, row := range table(t, "arl_cusum_crit.csv") {
		if row["sided"] != "two" {
			continue
		}
		k, want := number(t, row, "k"), number(t, row, "L0")
		near(t, "h for k "+row["k"]+" run length "+row["L0"], decisionInterval(k, want, score{}), number(t, row, "h"), 1e-6)
	}
}

// With its bounds the score has atoms; the run length of the chart that is used
// is compared with the chart itself, by simulation.
func TestRunLengthOfABoundedScore(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	for _, c := range []struct{ k, h, shift float64 }{{1.5, 1.6, 0}, {1.5, 1.9, 0}, {0.5, 4, 0}, {1.5, 3.3, 3}, {0.5, 5, 1}, {1.5, 3.3, 6}} {
		sc := score{bound: 2.5, gross: 3.5, doubt: c.k + 0.5} // tighter than in use, so that the atoms weigh
		want := runLength{c.k, c.h, sc}.twoSided(c.shift)
		const runs = 4000
		var sum, square float64
		for range runs {
			chart := cusum{k: c.k, h: c.h, score: sc}
			n := 1.0
			for {
				if side, _ := chart.add(c.shift + r.NormFloat64()); side != 0 {
					break
				}
				n++
			}
			sum += n
			square += n * n
		}
		mean := sum / runs
		se := math.Sqrt((square/runs - mean*mean) / runs)
		if math.Abs(mean-want) > 4*se+0.01*want {
			t.Errorf("k %g h %g shift %g: %.3f ± %.3f in the simulation, %.3f worked out", c.k, c.h, c.shift, mean, se, want)
		}
	}
}

// The Markov chain with bounds too far off to matter is the plain chart.
func TestMarkovChainAgainstR(t *testing.T) {
	far := score{bound: 30, gross: 40, doubt: 30}
	for _, row := range table(t, "arl_cusum_grid.csv") {
		r := runLength{number(t, row, "k"), number(t, row, "h"), far}
		near(t, "k "+row["k"]+" h "+row["h"]+" shift "+row["mu"], r.oneSided(number(t, row, "mu")), number(t, row, "arl_one_sided"), 0.01)
	}
}

// The charts in use: designed for more than 100,000 cycles between false alarms,
// those of the gap together, and at the step they are made for each takes no more
// than 1.3 times the delay of the plain CUSUM that is best for it at one in 100,000.
func TestChartsInUse(t *testing.T) {
	charts := NewCharts()
	run := func(c cusum) float64 { return runLength{c.k, c.h, c.score}.twoSided(0) }
	near(t, "run length of both", 1/(1/run(charts.whole.cusum)+1/run(charts.rest.cusum)), designRunLength, 1e-3)
	near(t, "run length", run(charts.creep), designRunLength, 1e-4)
	for shift, c := range map[float64]cusum{stepSDs: charts.whole.cusum, 1: charts.creep} {
		plain := runLength{k: c.k, h: decisionInterval(c.k, wantedRunLength, score{})}
		best, got := plain.twoSided(shift), runLength{c.k, c.h, c.score}.twoSided(shift)
		t.Logf("step of %g: k %.2f h %.4f (plain %.4f), delay %.3f, plain %.3f: %.3f ×", shift, c.k, c.h, plain.h, got, best, got/best)
		if got > 1.3*best {
			t.Errorf("a step of %g takes %.2f cycles, the best chart %.2f", shift, got, best)
		}
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: target 325, sigma of
// the group means 0.635, k 0.3175, h 4.1959; first signal in group 14.
func TestTabularCUSUMAgainstHandbook(t *testing.T) {
	c := cusum{k: 0.3175 / 0.635, h: 1e9}
	first := 0
	for i, row := range table(t, "nist_handbook_cusum.csv") {
		c.add((number(t, row, "x") - 325) / 0.635)
		near(t, "group "+row["group"]+" high", c.up*0.635, number(t, row, "S_hi_exact"), 5e-5)
		near(t, "group "+row["group"]+" low", c.dn*0.635, number(t, row, "S_lo_exact"), 5e-5)
		if first == 0 && math.Max(c.up, c.dn)*0.635 > 4.1959 {
			first = i + 1
		}
	}
	if first != 14 {
		t.Errorf("the first signal is in group %d, want 14", first)
	}
}

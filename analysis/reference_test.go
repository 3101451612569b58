package analysis

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// table reads a file of check values; its source stands in its last column.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var list []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = r[i]
		}
		list = append(list, m)
	}
	if len(list) == 0 {
		t.Fatalf("%s has no rows", name)
	}
	return list
}

func number(t *testing.T, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

// near fails where got is further from want than tol, absolute or relative.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if d := math.Abs(got - want); !(d <= tol || d <= tol*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g within %g", what, got, want, tol)
	}
}

// Values of R 4.2.2: median, mad(constant = 1.4826), and robustbase 0.95.0
// huberM(k = 1.5).
func TestRobustLocationAndScatterAgainstR(t *testing.T) {
	michelson := dataset(t, "Michelso")
	for _, row := range table(t, "robust_scale.csv") {
		v := michelson
		if row["dataset"] != "michelson" {
			v = nil
			for _, f := range strings.Fields(row["data"]) {
				x, err := strconv.ParseFloat(f, 64)
				if err != nil {
					t.Fatal(err)
				}
				v = append(v, x)
			}
		}
		median, mad := medianMADInPlace(append([]float64(nil), v...))
		near(t, row["dataset"]+" median", median, number(t, row, "median"), 1e-12)
		near(t, row["dataset"]+" MAD", mad, number(t, row, "mad_consistent"), 2e-6) // R's constant is rounded to 1.4826
		near(t, row["dataset"]+" Huber", huber(v, median, number(t, row, "huberM_s"), 1.5), number(t, row, "huberM_mu_k1.5"), 1e-7)
	}
}

func mean(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

func dataset(t *testing.T, name string) (v []float64) {
	t.Helper()
	for _, row := range table(t, "nist_strd_univariate_data.csv") {
		if row["dataset"] == name {
			v = append(v, number(t, row, "y"))
		}
	}
	return v
}

// NIST Statistical Reference Datasets, univariate: certified mean, standard
// deviation and lag-1 autocorrelation.
func TestMeanScatterAndAutocorrelationAgainstStRD(t *testing.T) {
	for _, row := range table(t, "nist_strd_univariate_certified.csv") {
		v := dataset(t, row["dataset"])
		if row["dataset"] == "NumAcc1" {
			v = []float64{10000001, 10000003, 10000002}
		}
		m := mean(v)
		near(t, row["dataset"]+" mean", m, number(t, row, "mean"), 1e-12)
		res := make([]float64, len(v))
		for i, x := range v {
			res[i] = x - m
		}
		n := float64(len(v))
		all := autocovariances(res)
		near(t, row["dataset"]+" sd", math.Sqrt(all[0]*n/(n-1)), number(t, row, "sd_n_minus_1"), 1e-9)
		near(t, row["dataset"]+" r1", all[1]/all[0], number(t, row, "lag1_autocorrelation"), 1e-9)
	}
}

// JCGM 100:2008, 4.4.3, table 1: twenty observations of a temperature; mean
// 100.145 °C, s = 1.489 °C, standard uncertainty of the mean 0.333 °C. The
// observations are from memory; that they give the printed results confirms
// them.
func TestTypeAAgainstGUM(t *testing.T) {
	obs := []float64{96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
		100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72}
	m := mean(obs)
	near(t, "mean", m, 100.145, 5e-4)
	var sum float64
	for _, x := range obs {
		sum += (x - m) * (x - m)
	}
	sd, u := (&meter{}).scatter(sum, len(obs), 1, float64(len(obs)), &noise{}, 1)
	near(t, "s", sd, 1.489, 5e-4)
	near(t, "u", u, 0.333, 5e-4)
}

// JCGM 100:2008, H.1, the gauge block: its uncertainties combined, and their
// effective degrees of freedom (H.1.6). The guide's printed figures are rounded on
// the way; the unrounded ones beside them follow from the same inputs.
func TestCombinedUncertaintyAgainstGUM(t *testing.T) {
	h1 := map[string]float64{}
	for _, row := range table(t, "gum_H1_gauge_block.csv") {
		h1[row["quantity"]] = number(t, row, "value")
	}
	of := func(quantity string) float64 {
		v, ok := h1[quantity]
		if !ok {
			t.Fatalf("no %s", quantity)
		}
		return v
	}
	d := []float64{of("u(d0) pooled s 13 nm / sqrt 5"), of("u(d1)"), of("u(d2)")}
	ud, nud := combined(d...), effectiveDOF(d, []float64{24, 5, 8})
	near(t, "u(d)", ud, of("u(d) unrounded"), 1e-9)
	near(t, "u(d) as printed", ud, of("u(d) printed"), 0.05)
	near(t, "ν(d)", nud, of("nu_eff(d) unrounded"), 1e-9)

	parts := []float64{of("u(l_s)"), ud, of("|c|u(delta_alpha) printed 2.9"), of("|c|u(delta_theta) printed 16.6")}
	u := combined(parts...)
	near(t, "u_c(l)", u, of("u_c(l) printed 32 (u_c^2 printed 1002 nm2)"), 1e-9)
	near(t, "u_c(l) as printed", u, 32, 0.5)
	near(t, "ν(l)", effectiveDOF(parts, []float64{18, nud, 50, 2}), of("nu_eff printed 16 (16.7 before truncation)"), 1e-6)
	near(t, "ν(l) as printed", effectiveDOF(parts, []float64{18, nud, 50, 2}), 16.7, 0.1)
}

// A-B-A by hand: levels 1.000 at 0 s, 3.020 at 4 s and 1.100 at 10 s on a probe
// that drifts by 0.01 mm/s, as the set levels say too. The middle of the set levels, 1.050, belongs to 5 s
// and is 1.040 at 4 s; so the gap is 1.980, and u = √(3² + (2/2)² + (5/2)²) =
// √16.25 = 4.031 µm.
func TestGapByHand(t *testing.T) {
	at := func(s float64, mm, u float64) level { return level{MM: mm, U: u, MidNS: int64(s * 1e9), N: 50} }
	before, free, after := at(0, 1, 0.002), at(4, 3.02, 0.003), at(10, 1.1, 0.005)
	gap, u := gapOf(before, free, after, &drift{perS: 0.01}, &seat{})
	near(t, "gap", gap, 1.98, 1e-12)
	near(t, "u", u, 0.004031129, 1e-8)

	// With the level before alone: 3.02 − (1 + 0.04); seats that differ by
	// 8 µm leave 4 µm.
	gap, u = gapOf(before, free, level{}, &drift{perS: 0.01}, &seat{variance: 64e-6})
	near(t, "gap from one side", gap, 1.98, 1e-12)
	near(t, "its u", u, math.Sqrt(9e-6+4e-6+16e-6), 1e-9)
}

// Uniform and triangular laws of polled edges (JCGM 100:2008, 4.3.7; exact, and
// confirmed by a Monte Carlo of 4 million edges).
func TestEdgesOfPolledSignals(t *testing.T) {
	const periodNS = 20e6
	a, b := edge{LoNS: 0, HiNS: periodNS}, edge{LoNS: 100e6, HiNS: 100e6 + periodNS}
	s, u := between(a, b)
	near(t, "duration", s, 0.1, 1e-12)
	got := map[string]float64{
		"same: delay variance/T^2": a.uS() * a.uS() / 4e-4,
		"duration from two edges with independent phases: error variance/T^2": u * u / 4e-4,
	}
	found := 0
	for _, row := range table(t, "edge_timing.csv") {
		if v, ok := got[row["quantity"]]; ok {
			found++
			near(t, row["quantity"], v, number(t, row, "exact"), 1e-12)
		}
	}
	if found != len(got) {
		t.Errorf("%d rows of %d found", found, len(got))
	}
}

// The mean of n times between two polled edges scatters by T/√(6n) where the
// phases differ from one to the next (exact), and no mean is any better than one
// of them where they don't. The smoothed time is the plain mean of up to twelve
// and forgets then; that is worth 2·12 − 1 = 23.
func TestMeansBeatThePollPeriod(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	const onNS, tauNS, runs = 1e12, 160e6, 4000
	scatter := func(periodNS int64, cycles int, alike bool) float64 {
		var square float64
		for range runs {
			var s smooth
			a, b := rng.Int64N(periodNS), rng.Int64N(periodNS)
			for range cycles {
				if !alike {
					a, b = rng.Int64N(periodNS), rng.Int64N(periodNS)
				}
				s.add(between(edge{LoNS: onNS - a, HiNS: onNS - a + periodNS}, edge{LoNS: onNS + tauNS - b, HiNS: onNS + tauNS - b + periodNS}))
			}
			e := s.mean*1e3 - tauNS*1e-6
			square += e * e
		}
		return math.Sqrt(square / runs)
	}
	single := map[string]float64{}
	sixteen := map[string]float64{}
	for _, row := range table(t, "edge_averaging.csv") {
		period, want := row["poll_T_ms"], number(t, row, "sd_duration_ms")
		periodNS := int64(number(t, row, "poll_T_ms") * 1e6)
		switch row["n"] {
		case "1":
			single[period] = want
			near(t, "one, polls of "+period, scatter(periodNS, 1, false), want, 0.05)
			near(t, "twenty in step, polls of "+period, scatter(periodNS, 20, true), want, 0.05)
		case "4":
			near(t, "four, polls of "+period, scatter(periodNS, 4, false), want, 0.05)
		case "16":
			sixteen[period] = want
		case "25":
			got := scatter(periodNS, 80, false)
			if got > sixteen[period] || got < 0.95*want {
				t.Errorf("polls of %s ms: the smoothed time scatters by %.3f ms, not between the %.3f of 25 and the %.3f of 16", period, got, want, sixteen[period])
			}
			near(t, "smoothed, polls of "+period, got, single[period]/math.Sqrt(2*smoothOver-1), 0.05)
		}
	}
	if len(single) == 0 || len(single) != len(sixteen) {
		t.Errorf("%d and %d poll periods compared", len(single), len(sixteen))
	}
}

// A contact that bounces for b makes of a bracket w a density with two flanks
// half as high. Integrated numerically, and by a simulation of polls.
func TestEdgesOfBouncingContacts(t *testing.T) {
	const w = 20e6
	for _, bounceMS := range []float64{0, 5, 12, 20, 26} {
		e := edge{LoNS: 0, HiNS: w, BounceMS: bounceMS}
		b := bounceMS * 1e6
		var mass, first, second float64
		for x := -b + 500; x < w; x += 1000 {
			readings := 0.0
			if b > 0 && (x < 0 || x > w-b) {
				readings = 1
			}
			if b >= w {
				readings = 0 // as many everywhere
			}
			p := math.Exp2(-readings)
			mass += p
			first += p * x
			second += p * x * x
		}
		mean := first / mass
		near(t, "middle", float64(e.atNS()), mean, 2e3)
		near(t, "u", e.uS(), math.Sqrt(second/mass-mean*mean)*1e-9, 1e-6)
	}
}

// JCGM 100:2008, F.2.2.1: a step q leaves 0.29 q. With scatter the mean's error
// is at most exp(−2π²s²)/π steps (first term of the Fourier series of the
// rounding error), which as a sine has √2 less standard deviation.
func TestQuantisation(t *testing.T) {
	near(t, "without scatter", quantisationU(1, 0), 0.29, 0.002)
	for _, row := range table(t, "quantiser_dither_bias.csv") {
		s := number(t, row, "noise_sd_LSB")
		if s < 0.3 {
			continue
		}
		near(t, "with scatter", quantisationU(1, s)*math.Sqrt2, number(t, row, "max_bias_LSB"), 1e-3)
	}
	near(t, "no step", quantisationU(0, 0.1), 0, 0)
}

// The variance of the mean of n values of an AR(1) process in closed form:
// σ²/n · [(1+φ)/(1−φ) − 2φ(1−φⁿ)/(n(1−φ)²)] (follows from summing the
// autocovariances; textbook result, from memory).
func TestVarianceOfAMeanOfCorrelatedReadings(t *testing.T) {
	for _, phi := range []float64{-0.8, -0.3, 0, 0.3, 0.6, 0.9} {
		for _, n := range []int{3, 10, 50, 300} {
			var cov [maxLag + 1]float64
			for k := range cov {
				cov[k] = math.Pow(phi, float64(k))
			}
			m := float64(n)
			want := ((1+phi)/(1-phi) - 2*phi*(1-math.Pow(phi, m))/(m*(1-phi)*(1-phi))) / m
			want = math.Max(want, 0.5*(1-phi*phi)/m) // never better than half the white part
			near(t, "variance", meanVariance(cov[:], n), want, 1e-9*want+1e-15)
		}
	}
}

// The variance of the mean of n values of autoregressive processes, summed in
// 50 digits. Effective sample size is n times the variance of one over n times
// that of the mean.
func TestEffectiveSampleSize(t *testing.T) {
	for _, row := range table(t, "mean_of_correlated.csv") {
		a, b, n := number(t, row, "phi1"), number(t, row, "phi2"), number(t, row, "n")
		noise := noise{}
		noise.cov[0], noise.cov[1] = 1, a/(1-b)
		for k := 2; k < len(noise.cov); k++ {
			noise.cov[k] = a*noise.cov[k-1] + b*noise.cov[k-2]
		}
		want := number(t, row, "variance_of_mean")
		innovation := 1 - a*noise.cov[1] - b*noise.cov[2]
		want = math.Max(want, 0.5*innovation/n) // never better than half the white part
		near(t, row["process"]+" variance of the mean of "+row["n"], noise.inflation(int(n))/n, want, 1e-7*want)
	}
}

// Peng and Tseng 2009 in closed form with 50 digits (mpmath), the density
// integrated (SciPy) beside it.
func TestFirstPassageWithUncertainDrift(t *testing.T) {
	for _, row := range table(t, "wiener_random_drift_cdf.csv") {
		p := Passage{Distance: number(t, row, "D"), Drift: number(t, row, "mu"), DriftSD: number(t, row, "s_drift"), Sigma: number(t, row, "sigma")}
		near(t, row["case"]+" at "+row["t"], p.CDF(number(t, row, "t")), number(t, row, "cdf_closed_form"), 1e-9)
	}
	for _, row := range table(t, "wiener_random_drift_quantiles.csv") {
		p := Passage{Distance: number(t, row, "D"), Drift: number(t, row, "mu"), DriftSD: number(t, row, "s_drift"), Sigma: number(t, row, "sigma")}
		got := quantileOf(p.CDF, number(t, row, "p"), p.Distance/p.Drift, never, 1e-12)
		if row["quantile"] == "inf" {
			if !math.IsInf(got, 1) {
				t.Errorf("%s quantile %s = %g, want none", row["case"], row["p"], got)
			}
			continue
		}
		near(t, row["case"]+" quantile "+row["p"], got, number(t, row, "quantile"), 1e-8)
		near(t, row["case"]+" ever", p.Ever(), number(t, row, "F_infinity"), 1e-6)
	}
}

// The inverse Gaussian law, drift known: mean m = D/µ, shape λ = D²/σ²
// (mpmath with 60 to 400 digits, SciPy and R statmod agreeing).
func TestFirstPassageWithKnownDrift(t *testing.T) {
	for _, row := range table(t, "inverse_gaussian_cdf.csv") {
		m, lambda := number(t, row, "mean_m"), number(t, row, "shape_lambda")
		p := Passage{Distance: 1, Drift: 1 / m, Sigma: 1 / math.Sqrt(lambda)}
		want := number(t, row, "cdf")
		got := p.CDF(number(t, row, "t"))
		if want > 1e-290 && math.Abs(got-want) > 1e-8*want {
			t.Errorf("m %g λ %g t %s: %.12g, want %.12g", m, lambda, row["t"], got, want)
		}
		near(t, "cdf", got, want, 1e-9)
	}
}

package analysis

import (
	"math"
	"strconv"
	"testing"
)

// Durbin and Koopman's Nile series, local level with σ²ε = 15099 and
// σ²η = 1469.1, a1 = 0, P1 = 1e7 (statsmodels 0.13.5). The filter of the bank
// is a local level where the rate is known to be nothing.
func TestFilterAgainstNile(t *testing.T) {
	x := belief{gg: 1e7}
	year := 1
	for _, row := range table(t, "kalman_nile_local_level.csv") {
		if row["init"] != "known a1=0 P1=1e7" {
			continue
		}
		if n := int(number(t, row, "t")); n != year {
			break // the file leaves years out
		}
		near(t, row["year"]+" predicted", x.g, number(t, row, "a_pred"), 1e-9)
		near(t, row["year"]+" variance", x.gg, number(t, row, "P_pred"), 1e-9)
		x.update(number(t, row, "y"), 15099)
		near(t, row["year"]+" filtered", x.g, number(t, row, "a_filt"), 1e-9)
		near(t, row["year"]+" variance", x.gg, number(t, row, "P_filt"), 1e-9)
		x.predict(1, 0, 1, 1469.1, 0, 1) // with a wear of one, kappa is the level's variance
		year++
	}
	if year < 6 {
		t.Fatalf("only %d years compared", year-1)
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: an EWMA from 50 with
// λ = 0.3. The filter of a local level does the same once its gain has settled,
// at λ where the level's variance is λ²/(1−λ) of the readings'.
func TestFilterAgainstHandbookEWMA(t *testing.T) {
	const lambda = 0.3
	x := belief{g: 50, gg: lambda}
	n := 0
	for _, row := range table(t, "nist_handbook_ewma.csv") {
		x.predict(1, 0, 1, lambda*lambda/(1-lambda), 0, 1)
		x.update(number(t, row, "x"), 1)
		near(t, "reading "+row["t"], x.g, number(t, row, "ewma_exact"), 1e-9)
		near(t, "reading "+row["t"]+" variance", x.gg, lambda, 1e-12)
		n++
	}
	if n != 20 {
		t.Errorf("%d readings compared, want 20", n)
	}
}

// A gap with its rate at irregular times: state [gap, rate], Q = q·[t³/3, t²/2;
// t²/2, t] with q = 1e-7, R = 4e-6, first state [0.5, 0] with variance 1e-4
// each (statsmodels 0.13.5 and numpy).
func TestFilterAgainstIrregularTimes(t *testing.T) {
	x := belief{g: 0.5, gg: 1e-4, mm: 1e-4}
	before := 0.0
	const way = 1e4 // the least rate is above all in the data, so that q stays what it is
	wander := math.Sqrt(1e-7 * way / math.Pow(way/1e6, 3))
	for _, row := range table(t, "kalman_irregular_gap.csv") {
		at := number(t, row, "t")
		if at > before {
			x.predict(at-before, 0, 1, 0, wander, way)
		}
		before = at
		x.update(number(t, row, "y_mm"), 4e-6)
		near(t, row["t"]+" gap", x.g, number(t, row, "level_filt"), 1e-9)
		near(t, row["t"]+" rate", x.m, number(t, row, "rate_filt"), 1e-9)
		near(t, row["t"]+" P11", x.gg, number(t, row, "P11"), 1e-9)
		near(t, row["t"]+" P12", x.gm, number(t, row, "P12"), 1e-9)
		near(t, row["t"]+" P22", x.mm, number(t, row, "P22"), 1e-9)
	}
}

// laser reads the degradation of fifteen GaAs lasers, increase of the current in
// % every 250 h (W. Q. Meeker, L. A. Escobar, Statistical Methods for
// Reliability Data, 1998; as stored in the R package SMRD.data).
func laser(t *testing.T) (units []string, increase map[string][]float64) {
	increase = map[string][]float64{}
	for _, row := range table(t, "laser_gaas_data.csv") {
		u := row["unit"]
		if len(increase[u]) == 0 {
			units = append(units, u)
		}
		increase[u] = append(increase[u], number(t, row, "increase_percent"))
	}
	return units, increase
}

func fitted(t *testing.T, quantity string) float64 {
	t.Helper()
	for _, row := range table(t, "laser_gaas_fit.csv") {
		if row["quantity"] == quantity {
			return number(t, row, "value")
		}
	}
	t.Fatalf("no value %s", quantity)
	return 0
}

// The passage law at the published fit of the lasers: quantiles of the
// population, and of each unit given its first 2000 h (mpmath, SciPy).
func TestPassageOfLasers(t *testing.T) {
	p := Passage{Distance: 10, Drift: fitted(t, "random_drift_mu_per_kh"), DriftSD: fitted(t, "random_drift_sd_of_drift"), Sigma: fitted(t, "random_drift_sigma")}
	for _, q := range []string{"0.05", "0.1", "0.5", "0.9", "0.95"} {
		v, err := strconv.ParseFloat(q, 64)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "quantile "+q, quantileOf(p.CDF, v, 5, never, 1e-12), fitted(t, "fpt_quantile_random_drift_p"+q+"_kh"), 1e-8)
	}
	for _, row := range table(t, "laser_gaas_forecast_at_2000h.csv") {
		one := Passage{Distance: 10 - number(t, row, "y_2000h"), Drift: number(t, row, "posterior_drift_mean"), DriftSD: number(t, row, "posterior_drift_sd"), Sigma: p.Sigma}
		for q, name := range map[float64]string{0.05: "fpt_q05_kh", 0.5: "fpt_q50_kh", 0.95: "fpt_q95_kh"} {
			near(t, row["unit"]+" "+name, 2+quantileOf(one.CDF, q, 2, never, 1e-12), number(t, row, name), 1e-5)
		}
	}
}

// Each laser is forecast from its first 2000 h and what the other fourteen show:
// the band holds the observed crossings, and of the lives of those that didn't
// cross while watched (the line from the origin through all readings) nine in
// ten.
func TestForecastOfLasers(t *testing.T) {
	units, increase := laser(t)
	held, n := 0, 0
	for _, unit := range units {
		family := NewFamily()
		var own *bank
		for _, other := range units {
			k := newBank(10, family)
			last := len(increase[other])
			if other == unit {
				own, last = k, 9 // 0 to 2000 h
			}
			for i := range last {
				k.add(increase[other][i], 1e-4, 250*float64(i), 0)
			}
			k.share()
		}
		prior := own.prior()
		law := crossingLaw{parts: settle(own.mixture(&prior, nil), &prior), limitMM: 10, way: 10}
		law.tabulate(2000)
		lo, hi := 2000+law.quantile(0.05), 2000+law.quantile(0.95)
		for _, row := range table(t, "laser_gaas_forecast_at_2000h.csv") {
			if row["unit"] != unit {
				continue
			}
			truth := 1000 * number(t, row, "pseudo_life_full_origin_fit_kh")
			observed := row["observed_crossing_kh"] != ""
			if observed {
				truth = 1000 * number(t, row, "observed_crossing_kh")
			}
			n++
			if lo <= truth && truth <= hi {
				held++
			} else {
				t.Logf("laser %s: %.0f to %.0f h, truth %.0f (observed %t)", unit, lo, hi, truth, observed)
			}
		}
	}
	t.Logf("%d of %d held", held, n)
	if n != 15 || held < 13 {
		t.Errorf("the band held %d of %d lives", held, n)
	}
}

// Alloy-A fatigue cracks bend upwards (C. J. Lu, W. Q. Meeker, Technometrics 35,
// 1993): the straight line that the score compares with must be late for every
// specimen that failed.
func TestStraightLineIsLateWhereWearBends(t *testing.T) {
	paths := map[string][][2]float64{}
	for _, row := range table(t, "alloy_a_crack_data.csv") {
		paths[row["specimen"]] = append(paths[row["specimen"]], [2]float64{number(t, row, "megacycles"), number(t, row, "inches")})
	}
	late, n := 0, 0
	for _, row := range table(t, "alloy_a_crossings.csv") {
		if row["observed_crossing_1.6in_megacycles"] == "" {
			continue
		}
		l := &brakeLife{}
		for _, p := range paths[row["specimen"]][:6] { // to 0.05 megacycles, a reading every 0.01
			l.cycles = append(l.cycles, Cycle{GapMM: p[1]})
		}
		n++
		q := straightLine(l, 6, 1.6, byCycle)
		at := 0.01 * (5 + q.P50)
		if at > number(t, row, "observed_crossing_1.6in_megacycles") {
			late++
		}
	}
	if n < 10 || late != n {
		t.Errorf("late for %d of %d specimens", late, n)
	}
}

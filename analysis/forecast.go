package analysis

import "math"

// Nodes and weights of Gauss–Hermite quadrature for a standard normal variable
// (Abramowitz and Stegun, table 25.10, n = 5, with x√2 and w/√π).
var (
	hermiteX = [5]float64{-2.8569700138728056, -1.3556261799742659, 0, 1.3556261799742659, 2.8569700138728056}
	hermiteW = [5]float64{0.011257411327720693, 0.22207592200561266, 0.53333333333333333, 0.22207592200561266, 0.011257411327720693}
)

// never is the work, in cycles, beyond which nothing is forecast.
const never = 1e9

// maxDays is how far dates are forecast: thirty years.
const maxDays = 30 * 365

// crossingLaw is the law of the cycles until the gap reaches a limit, the gap
// itself being uncertain: a mixture of passages over five possible gaps.
type crossingLaw [5]Passage

func (w *wear) crossing(limitMM float64) crossingLaw {
	var law crossingLaw
	sd := math.Sqrt(w.p11)
	slope, rest := 0.0, w.p22
	if w.p11 > 0 {
		slope = w.p12 / w.p11
		rest = math.Max(w.p22-w.p12*slope, 0)
	}
	// The rate goes on wandering: what it may do on the way counts as
	// uncertainty of the drift.
	d := math.Max(limitMM-w.gap, 0)
	r := math.Max(math.Abs(w.rate), w.scale)
	wander := rateWander * r * rateWander * r * (d / r) / 3
	for i, x := range hermiteX {
		law[i] = Passage{
			Distance: limitMM - w.gap - sd*x,
			Drift:    w.rate + slope*sd*x,
			DriftSD:  math.Sqrt(rest + wander),
			Sigma:    math.Sqrt(w.diffusion()),
		}
	}
	return law
}

func (c *crossingLaw) cdf(cycles float64) float64 {
	var f float64
	for i := range c {
		f += hermiteW[i] * c[i].CDF(cycles)
	}
	return f
}

// forecast is when the gap reaches limitMM, in cycles from now and in dates.
func (w *wear) forecast(name string, limitMM float64, nowNS int64, d *duty) Forecast {
	none := Quantiles{NoValue(), NoValue(), NoValue()}
	f := Forecast{AtNS: nowNS, Limit: name, LimitMM: limitMM, GapMM: w.gap, GapUMM: w.u(),
		WearUMPerK: NoValue(), WearUUMPerK: NoValue(), Cycles: none, DateNS: none}
	if !w.set || w.seen < 3 {
		return f
	}
	law := w.crossing(limitMM)
	guess := math.Max(1, (limitMM-w.gap)/math.Max(w.rate, w.scale))
	f.Cycles.P05 = finite(quantileOf(law.cdf, 0.05, guess, never, 1e-7))
	told := w.told()
	if told {
		f.WearUMPerK, f.WearUUMPerK = w.rate*1e6, math.Sqrt(w.p22)*1e6
		f.Cycles.P50 = finite(quantileOf(law.cdf, 0.50, guess, never, 1e-7))
		f.Cycles.P95 = finite(quantileOf(law.cdf, 0.95, guess, never, 1e-7))
	}
	out := d.outlook(nowNS)
	if !out.ok {
		return f
	}
	byDay := func(days float64) float64 {
		mean, variance := out.cycles(days)
		sd := math.Sqrt(variance)
		var p float64
		for i, x := range hermiteX {
			p += hermiteW[i] * law.cdf(math.Max(mean+sd*x, 0))
		}
		return p
	}
	date := func(p, cycles float64) float64 {
		if !Has(cycles) {
			return NoValue()
		}
		days := quantileOf(byDay, p, math.Max(cycles/(out.weekSum/7), 0.01), maxDays, 1e-5)
		if math.IsInf(days, 0) {
			return NoValue()
		}
		return float64(nowNS) + days*float64(dayNS)
	}
	f.DateNS = Quantiles{date(0.05, f.Cycles.P05), date(0.50, f.Cycles.P50), date(0.95, f.Cycles.P95)}
	return f
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return NoValue()
	}
	return v
}

package analysis

import "math"

// never is the work, in cycles, beyond which nothing is forecast.
const never = 1e9

// loadChanges is how much more irregular wear is taken to be on the way than it
// was seen to be: the loads to come are others than those that were.
const loadChanges = 1.12

// busyDays is by how much more than in proportion a day's wear is taken to grow
// with its cycles, as a power of them: a busy day wears each cycle more. Then more
// cycles a day don't come to a limit that is as many cycles away, and a date
// scatters with (1 + busyDays)² of what the days' cycles scatter by; the square is
// in the law of the cycles already. Up to a half is plausible; no published source,
// and so held near none.
const busyDays = 0.1

// maxDays is how far dates are forecast: thirty years.
const maxDays = 30 * 365

// crossingLaw is the law of the cycles until the gap reaches a limit: a mixture
// over what the bank believes, and within each part over where the gap may
// stand now. It is tabulated once, for the dates ask for it often.
type crossingLaw struct {
	parts    []part
	limitMM  float64
	way      float64
	ahead    float64 // cycles since the bank's latest gap
	logT     []float64
	normal   []float64 // Φ⁻¹ of the law at exp(logT), rising
	evaluate int
}

// at is the law at so many cycles.
//
// Within a part the path's mean is g + m·t + b·E(t), E being the fading sum of
// the running-in. At each t that is a straight line to the same place, so that
// the passage law of a line with uncertain slope applies; what the rate may
// wander on the way counts as uncertainty of the slope.
func (c *crossingLaw) at(cycles float64) float64 {
	c.evaluate++
	t := cycles + c.ahead
	var f float64
	for i := range c.parts {
		p := &c.parts[i]
		var extra float64 // E(t)/t
		if p.tau > 0 {
			extra = p.tau * -math.Expm1(-t/p.tau) / t
		}
		slope := p.m + p.b*extra
		v := p.mm + 2*extra*p.mb + extra*extra*p.bb
		with := p.gm + extra*p.gb // covariance of slope and gap
		rate := math.Max(p.m, c.way/1e6)
		d := c.limitMM - p.g
		// A rate doesn't wander below zero: no further than on the usual way.
		wander := p.wander * p.wander * rate * rate * rate / c.way / 3 * math.Min(t, 1.5*math.Max(d, 0)/rate)
		sigma := math.Sqrt(loadChanges * p.kappa * math.Max(slope, rate*0.1))
		sd := math.Sqrt(p.gg)
		if sd < 0.002*d {
			f += p.weight * Passage{d, slope, math.Sqrt(v + wander), sigma}.CDF(t)
			continue
		}
		per := with / p.gg
		rest := math.Sqrt(math.Max(v-with*per, 0) + wander)
		for j, x := range hermite3X {
			f += p.weight * hermite3W[j] * Passage{d - sd*x, slope + per*sd*x, rest, sigma}.CDF(t)
		}
	}
	return math.Min(f, 1)
}

// tabulate places the table where the law rises.
func (c *crossingLaw) tabulate(guess float64) {
	lo, hi := guess, guess
	flo := c.at(lo)
	fhi := flo
	for factor := 1.3; flo > 0.004 && lo > 1; factor *= 1.5 {
		lo = math.Max(lo/factor, 1)
		flo = c.at(lo)
	}
	for factor := 1.3; fhi < 0.996 && hi < never; factor *= 1.5 {
		hi = math.Min(hi*factor, never)
		fhi = c.at(hi)
	}
	// Halve the widest jump of the normal value until none matters.
	c.logT, c.normal = append(c.logT[:0], math.Log(lo), math.Log(hi)), append(c.normal[:0], normalOf(flo), normalOf(fhi))
	for len(c.logT) < 28 {
		at, widest := 0, 0.0
		for i := 1; i < len(c.logT); i++ {
			a, b := math.Max(c.normal[i-1], -2.7), math.Min(c.normal[i], 2.7)
			if jump := (b - a) * math.Min(1, 50*(c.logT[i]-c.logT[i-1])); jump > widest {
				at, widest = i, jump
			}
		}
		if widest < 0.25 {
			break
		}
		t := (c.logT[at-1] + c.logT[at]) / 2
		z := math.Min(math.Max(normalOf(c.at(math.Exp(t))), c.normal[at-1]), c.normal[at])
		c.logT, c.normal = append(c.logT, 0), append(c.normal, 0)
		copy(c.logT[at+1:], c.logT[at:])
		copy(c.normal[at+1:], c.normal[at:])
		c.logT[at], c.normal[at] = t, z
	}
}

// cdf is the law from the table.
func (c *crossingLaw) cdf(cycles float64) float64 {
	n := len(c.logT)
	if cycles <= 0 {
		return 0
	}
	l := math.Log(cycles)
	if l <= c.logT[0] {
		return normalCDF(c.normal[0]) * cycles / math.Exp(c.logT[0])
	}
	if l >= c.logT[n-1] {
		return normalCDF(c.normal[n-1])
	}
	i := 1
	for c.logT[i] < l {
		i++
	}
	return normalCDF(c.normal[i-1] + (c.normal[i]-c.normal[i-1])*(l-c.logT[i-1])/(c.logT[i]-c.logT[i-1]))
}

// quantile is the number of cycles with probability p; +Inf if it's never
// reached.
func (c *crossingLaw) quantile(p float64) float64 {
	z := normalOf(p)
	n := len(c.logT)
	if z > c.normal[n-1] {
		return math.Inf(1)
	}
	if z <= c.normal[0] {
		return math.Exp(c.logT[0]) * p / normalCDF(c.normal[0])
	}
	i := 1
	for c.normal[i] < z {
		i++
	}
	part := 1.0
	if d := c.normal[i] - c.normal[i-1]; d > 0 {
		part = (z - c.normal[i-1]) / d
	}
	return math.Exp(c.logT[i-1] + part*(c.logT[i]-c.logT[i-1]))
}

// normalOf is Φ⁻¹, held within ±8.
func normalOf(p float64) float64 {
	return math.Max(-8, math.Min(8, -math.Sqrt2*math.Erfcinv(2*p)))
}

// nothing is a forecast that says nothing yet.
func nothing(name string, limitMM, gapMM, gapUMM float64, nowNS int64) Forecast {
	none := Quantiles{NoValue(), NoValue(), NoValue()}
	return Forecast{AtNS: nowNS, Limit: name, LimitMM: limitMM, GapMM: gapMM, GapUMM: gapUMM,
		WearUMPerK: NoValue(), WearUUMPerK: NoValue(), Cycles: none, DateNS: none}
}

// ready reports whether enough was seen for a forecast.
func (w *wear) ready() bool { return w.bank.set && w.total >= warmGaps }

// forecast is when the gap reaches limitMM, in cycles from now and in dates.
func (w *wear) forecast(name string, limitMM float64, nowNS int64, d *duty) Forecast {
	f := nothing(name, limitMM, w.gap, w.u(), nowNS)
	if !w.ready() {
		return f
	}
	now, filters := *w.bank, *w.bank.filters
	now.filters = &filters
	w.upToNow(&now)
	prior := now.prior()
	parts := now.mixture(&prior, make([]part, 0, nDrift*(1+(nTau-1)*(nExtra/extrasTogether+1))))
	var below float64
	for i := range parts {
		below += parts[i].weight * normalCDF(-parts[i].m/math.Sqrt(parts[i].mm))
	}
	told := below < 0.05
	if told {
		parts = settle(parts, &prior)
	} else {
		parts = settle(parts, nil)
	}
	law := crossingLaw{parts: parts, limitMM: limitMM, way: w.way, ahead: float64(w.work) - now.at}
	rate, rateU, gap := rateAndGap(parts)
	law.tabulate(math.Max(1, math.Min((limitMM-gap)/math.Max(rate, w.way/1e6), never)))
	f.Cycles.P05 = finite(law.quantile(0.05))
	if told {
		f.WearUMPerK, f.WearUUMPerK = rate*1e6, rateU*1e6
		f.Cycles.P50 = finite(law.quantile(0.50))
		f.Cycles.P95 = finite(law.quantile(0.95))
	}
	f.DateNS = law.dates(f.Cycles, nowNS, d)
	return f
}

// dates are when so many cycles will have been made, with the same odds: the
// duty to come is not known either. All missing where nothing is known of it.
func (c *crossingLaw) dates(cycles Quantiles, nowNS int64, d *duty) Quantiles {
	out := d.outlook(nowNS)
	if !out.ok {
		return Quantiles{NoValue(), NoValue(), NoValue()}
	}
	byDay := func(days float64) float64 {
		mean, variance := out.cycles(days)
		variance *= 1 + 2*busyDays
		// A lognormal number of cycles with these moments.
		s2 := math.Log1p(variance / math.Max(mean*mean, 1e-12))
		s := math.Sqrt(s2)
		var p float64
		for i, x := range hermiteX {
			p += hermiteW[i] * c.cdf(mean*math.Exp(s*x-s2/2))
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
	return Quantiles{date(0.05, cycles.P05), date(0.50, cycles.P50), date(0.95, cycles.P95)}
}

// upToNow gives a copy of the bank what is still in the block and held back.
func (w *wear) upToNow(now *bank) {
	b := w.block
	for i := w.held - 1; i >= 0; i-- {
		if r := w.ago(int64(i)); r.pass {
			b.add(r, w.neighbours.rho())
		}
	}
	if b.n > 0 {
		now.add(b.value())
	}
}

// rateAndGap are mean and standard deviation of the rate now, running-in
// included, and the mean gap.
func rateAndGap(parts []part) (rate, u, gap float64) {
	var square float64
	for i := range parts {
		p := &parts[i]
		m := p.m
		rate += p.weight * m
		square += p.weight * (m*m + p.mm)
		gap += p.weight * p.g
	}
	return rate, math.Sqrt(math.Max(square-rate*rate, 0)), gap
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return NoValue()
	}
	return v
}

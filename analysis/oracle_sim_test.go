package analysis

import "math"

// oracle forecasts one simulated brake with everything known that holds for
// its whole model: the law of the rates, of running-in, kappa, noise, the duty
// of each day and when it was adjusted. Only this brake's own rate and extra it
// must learn. It is the best that a forecast can be, but for the approximation
// of the laws by normal ones on each of its branches.
type oracle struct {
	l    *brakeLife
	list []branch
}

// branch is one possibility: a lining run in, or one value of the extra.
type branch struct {
	f          float64
	weight     float64 // logarithm
	g, m       float64
	gg, gm, mm float64
	set        bool
	rejected   int
}

func newOracle(l *brakeLife) *oracle {
	o := &oracle{l: l, list: []branch{{weight: math.Log(0.4)}}}
	for i, x := range hermiteX {
		o.list = append(o.list, branch{f: l.runIn * math.Exp(l.runInLogSD*x), weight: math.Log(0.6 * hermiteW[i])})
	}
	for i := range o.list {
		b := &o.list[i]
		b.m = math.Exp(l.rateLog)
		b.mm = math.Pow(3*b.m, 2)
	}
	return o
}

// see runs the filters over the first n cycles.
func (o *oracle) see(n int) {
	l := o.l
	perDay := map[int64]int{}
	for _, c := range l.cycles[:n] {
		perDay[c.AtNS/dayNS]++
	}
	// What wear adds in variance besides: the scatter of the days' loads.
	kappa := l.kappaMM + math.Exp(l.rateLog)*l.perDay*l.dutyPower*l.dutyPower*(l.dayScatter*l.dayScatter+1/l.perDay)
	for i := range o.list {
		b := &o.list[i]
		var since float64
		for j, c := range l.cycles[:n] {
			load := math.Pow(math.Max(float64(perDay[c.AtNS/dayNS]), 1)/l.perDay, l.dutyPower)
			if l.adjusted == j && j > 0 {
				b.gg += 1 // it knows that it was adjusted, not by how much
			}
			if Has(c.GapMM) {
				b.passed(since, kappa)
				since = 0
				b.seen(c.GapMM, l.noiseMM)
			}
			since += load * (1 + b.f*math.Exp(-float64(j)/l.tau))
		}
		b.passed(since, kappa)
	}
}

func (b *branch) passed(u, kappa float64) {
	b.g += b.m * u
	b.gg += 2*u*b.gm + u*u*b.mm + kappa*math.Max(b.m, 1e-9)*u
	b.gm += u * b.mm
}

func (b *branch) seen(gap, noise float64) {
	r := noise * noise
	if !b.set {
		// The first may be an outlier.
		b.set, b.g, b.gg = true, gap, 1
		return
	}
	s, nu := b.gg+r, gap-b.g
	if nu*nu > 25*(math.Min(b.gg, 0.01)+r) && b.gg < 0.5 {
		if b.rejected++; b.rejected >= 4 { // it was the earlier one that was off
			b.rejected, b.gg, b.gm = 0, 1, 0
		}
		return
	}
	b.rejected = 0
	b.weight -= 0.5 * (math.Log(s) + nu*nu/s)
	kg, km := b.gg/s, b.gm/s
	b.g += kg * nu
	b.m += km * nu
	b.mm -= km * b.gm
	b.gm -= kg * b.gm
	b.gg -= kg * b.gg
}

// quantiles is the forecast after n cycles.
func (o *oracle) quantiles(n int, limitMM float64) Quantiles {
	l := o.l
	o.see(n)
	kappa := l.kappaMM + math.Exp(l.rateLog)*l.perDay*l.dutyPower*l.dutyPower*(l.dayScatter*l.dayScatter+1/l.perDay)
	load := math.Max(0.7, 1+0.5*l.dutyPower*(l.dutyPower-1)*l.dayScatter*l.dayScatter) // of a mean working day
	var days, sum float64
	for i, c := range l.cycles[:n] {
		if l.cycles[n-1].AtNS-c.AtNS > 21*dayNS {
			continue // the duty may have changed
		}
		if i == 0 || c.AtNS/dayNS != l.cycles[i-1].AtNS/dayNS {
			k := i
			for k < n && l.cycles[k].AtNS/dayNS == c.AtNS/dayNS {
				k++
			}
			sum += float64(k-i) * math.Pow(float64(k-i)/l.perDay, l.dutyPower)
			days += float64(k - i)
		}
	}
	if days > 0 {
		load = sum / days
	}
	type leaf struct {
		weight, f float64
		p         Passage
	}
	var leaves []leaf
	top := math.Inf(-1)
	for _, b := range o.list {
		s := math.Sqrt(b.mm)
		for i := -4; i <= 4; i++ {
			m := b.m + 0.75*float64(i)*s
			if m <= 0 {
				continue
			}
			x := (math.Log(m) - l.rateLog) / l.rateLogSD
			w := b.weight - math.Pow(0.75*float64(i), 2)/2 - x*x/2 - math.Log(m) + math.Log(s)
			top = math.Max(top, w)
			slope := b.gm / b.mm
			rest := math.Sqrt(math.Max(b.gg-slope*b.gm, 1e-12))
			for j, y := range hermite3X {
				leaves = append(leaves, leaf{w + math.Log(hermite3W[j]), b.f,
					Passage{Distance: limitMM - b.g - slope*(m-b.m) - rest*y, Drift: m, Sigma: math.Sqrt(kappa * m)}})
			}
		}
	}
	var kept []leaf
	var total float64
	for _, f := range leaves {
		if f.weight = math.Exp(f.weight - top); f.weight > 1e-4 {
			kept = append(kept, f)
			total += f.weight
		}
	}
	cdf := func(t float64) float64 {
		var p float64
		for _, f := range kept {
			u := t + f.f*l.tau*math.Exp(-float64(n)/l.tau)*-math.Expm1(-t/l.tau)
			p += f.weight / total * f.p.CDF(load*u)
		}
		return p
	}
	guess := math.Max(1, float64(n)/2)
	return Quantiles{quantileOf(cdf, 0.05, guess, never, 1e-4), quantileOf(cdf, 0.5, guess, never, 1e-4), quantileOf(cdf, 0.95, guess, never, 1e-4)}
}

// straightLine is the forecast of a least-squares line through the gaps since
// the last adjustment.
func straightLine(l *brakeLife, n int, limitMM float64) Quantiles {
	var k, sx, sy, sxx, sxy, syy float64
	from := 0
	if l.adjusted > 0 && l.adjusted < n {
		from = l.adjusted
	}
	for i := from; i < n; i++ {
		if c := l.cycles[i]; Has(c.GapMM) {
			x, y := float64(i-n), c.GapMM
			k++
			sx += x
			sy += y
			sxx += x * x
			sxy += x * y
			syy += y * y
		}
	}
	nothing := Quantiles{NoValue(), NoValue(), NoValue()}
	dxx := sxx - sx*sx/k
	if k < 3 || !(dxx > 0) {
		return nothing
	}
	b := (sxy - sx*sy/k) / dxx
	a := (sy - b*sx) / k
	se := math.Sqrt(math.Max(syy-sy*sy/k-b*b*dxx, 0)/(k-2)) / math.Sqrt(dxx)
	to := func(slope float64) float64 {
		if slope <= 0 {
			return NoValue()
		}
		return math.Max(1, (limitMM-a)/slope)
	}
	return Quantiles{to(b + 1.645*se), to(b), to(b - 1.645*se)}
}

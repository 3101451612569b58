package analysis

import "math"

// oracle forecasts one simulated brake with everything known that holds for
// its whole model: the laws of the rates and of running-in, kappa, noise, the duty
// of each day and when it was adjusted. Only this brake's own rate, extra and how
// long that lasts it must learn. It is the best that a forecast can be, but for the
// approximation of the laws by normal ones on each of its branches.
type oracle struct {
	l      *brakeLife
	list   []branch
	leaves []leaf
	n      int     // cycles seen
	load   float64 // of the cycles to come
	limit  float64
}

// branch is one possibility: a lining run in, or one value of the extra and of
// the cycles in which it falls to 1/e.
type branch struct {
	f, tau     float64
	weight     float64 // logarithm
	g, m       float64
	gg, gm, mm float64
	set        bool
	rejected   int
}

// leaf is a branch with one of its rates and gaps.
type leaf struct {
	weight, f, tau float64
	p              Passage
}

// extras and taus are so many values of the extra and of how long it lasts, close
// enough that even a quiet brake's lies between two that tell the same.
const (
	extras = 17
	taus   = 7
)

func newOracle(l *brakeLife, n int, limitMM float64) *oracle {
	o := &oracle{l: l, n: n, limit: limitMM, list: []branch{{weight: math.Log(0.4)}}}
	const far = 2.8
	at := func(i, of int) float64 { return far * (2*float64(i)/float64(of-1) - 1) }
	var sum float64
	for t := range taus {
		for i := range extras {
			w := normalPDF(at(i, extras)) * normalPDF(at(t, taus))
			sum += w
			o.list = append(o.list, branch{f: l.runIn * math.Exp(l.runInLogSD*at(i, extras)),
				tau: l.runInTau * math.Exp(l.runInTauSD*at(t, taus)), weight: math.Log(0.6 * w)})
		}
	}
	for i := range o.list {
		b := &o.list[i]
		if i > 0 {
			b.weight -= math.Log(sum)
		}
		b.m = math.Exp(l.rateLog)
		b.mm = math.Pow(beforeSD(l), 2)
	}
	o.see()
	o.branchOut()
	return o
}

// kappa is what wear adds in variance, the scatter of the days' loads included.
func (o *oracle) kappa() float64 {
	l := o.l
	return l.kappaMM + math.Exp(l.rateLog)*l.perDay*l.dutyPower*l.dutyPower*(l.dayScatter*l.dayScatter+1/l.perDay)
}

// see runs the filters over the cycles, and takes the load of those to come for
// that of the latest three weeks, as the duty may have changed.
func (o *oracle) see() {
	l := o.l
	seen := l.cycles[:o.n]
	perDay := map[int64]float64{}
	for _, c := range seen {
		perDay[c.AtNS/dayNS]++
	}
	load := make([]float64, o.n)
	var sum, n float64
	for j, c := range seen {
		load[j] = math.Pow(perDay[c.AtNS/dayNS]/l.perDay, l.dutyPower)
		if seen[o.n-1].AtNS-c.AtNS <= 21*dayNS {
			sum += load[j]
			n++
		}
	}
	o.load = sum / n
	kappa := o.kappa()
	for i := range o.list {
		b := &o.list[i]
		var since float64
		extra, fades := b.f, math.Exp(-1/b.tau)
		for j := range seen {
			if l.adjusted == j && j > 0 {
				b.gg += 1 // it knows that it was adjusted, not by how much
			}
			if Has(seen[j].GapMM) {
				b.passed(since, kappa)
				since = 0
				b.seen(seen[j].GapMM, l.noiseMM, l.outliers)
			}
			since += load[j] * (1 + extra)
			extra *= fades
		}
		b.passed(since, kappa)
	}
}

func (b *branch) passed(u, kappa float64) {
	b.g += b.m * u
	b.gg += 2*u*b.gm + u*u*b.mm + kappa*math.Max(b.m, 1e-9)*u
	b.gm += u * b.mm
}

func (b *branch) seen(gap, noise, outliers float64) {
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
		// As likely as one of the outliers, which are rare and far apart.
		b.weight -= 0.5*(math.Log(400*r)+nu*nu/(400*r)) + math.Log((1-outliers)/outliers)
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

// nodeStep is how far the rates of a branch's leaves are apart, in standard
// deviations.
const nodeStep = 0.6

// beforeSD is the standard deviation of the rate that the filters begin with.
func beforeSD(l *brakeLife) float64 { return 3 * math.Exp(l.rateLog) }

// branchOut makes the leaves, those left out that can't count.
func (o *oracle) branchOut() {
	l, kappa := o.l, o.kappa()
	var all []leaf
	top := math.Inf(-1)
	for _, b := range o.list {
		s := math.Sqrt(b.mm)
		for i := -5; i <= 5; i++ {
			m := b.m + nodeStep*float64(i)*s
			if m <= 0 {
				continue
			}
			x := (math.Log(m) - l.rateLog) / l.rateLogSD
			// The filter began with a normal law of the rate, which the lognormal one replaces.
			before := (m - math.Exp(l.rateLog)) / beforeSD(l)
			w := b.weight - math.Pow(nodeStep*float64(i), 2)/2 - x*x/2 - math.Log(m) + before*before/2
			top = math.Max(top, w)
			slope := b.gm / b.mm
			rest := math.Sqrt(math.Max(b.gg-slope*b.gm, 1e-12))
			for j, y := range hermite3X {
				all = append(all, leaf{w + math.Log(hermite3W[j]), b.f, b.tau,
					Passage{Distance: o.limit - b.g - slope*(m-b.m) - rest*y, Drift: m, Sigma: math.Sqrt(kappa * m)}})
			}
		}
	}
	var total float64
	for _, f := range all {
		if f.weight = math.Exp(f.weight - top); f.weight > 3e-4 {
			o.leaves = append(o.leaves, f)
			total += f.weight
		}
	}
	for i := range o.leaves {
		o.leaves[i].weight /= total
	}
}

// cdf is the law of the cycles to go.
func (o *oracle) cdf(t float64) float64 {
	var p float64
	for i := range o.leaves {
		f := &o.leaves[i]
		extra := 0.0
		if f.tau > 0 {
			extra = f.f * f.tau * math.Exp(-float64(o.n)/f.tau) * -math.Expm1(-t/f.tau)
		}
		p += f.weight * f.p.CDF(o.load*(t+extra))
	}
	return p
}

func (o *oracle) cycles() Quantiles {
	guess := math.Max(1, float64(o.n)/2)
	q := func(p float64) float64 { return quantileOf(o.cdf, p, guess, never, 1e-3) }
	return Quantiles{q(0.05), q(0.5), q(0.95)}
}

// use is how much this brake is used, by the days since its duty last changed,
// as the oracle knows; and the relative variance of that. The week's pattern,
// holidays and the scatter of the days are known.
func (o *oracle) use() (level, variance float64) {
	l := o.l
	today := int((l.cycles[o.n-1].AtNS - lifeStart) / dayNS)
	first := today
	for first > 0 && l.level[first-1] == l.level[today] {
		first--
	}
	var count, mean, sum float64
	for _, c := range l.cycles[:o.n] {
		if d := int((c.AtNS - lifeStart) / dayNS); d >= first && d < today {
			count++
		}
	}
	for d := first; d < today; d++ {
		m, v := o.dayLaw(l.usual(d, 1))
		mean += m
		sum += v
	}
	const changes2 = 0.4 * 0.4 // before any day of it was seen
	before := 1.0
	if first > 0 {
		before = l.level[first-1]
	}
	if mean == 0 {
		return before, changes2
	}
	v := sum / (mean * mean)
	return (count/mean*changes2 + before*v) / (changes2 + v), v * changes2 / (v + changes2)
}

// dayLaw is mean and variance of the cycles of a day that has so many where it
// is no holiday.
func (o *oracle) dayLaw(usual float64) (mean, variance float64) {
	l := o.l
	work := 1 - l.holiday
	return work * usual, work*(usual*usual*(1+l.dayScatter*l.dayScatter)+usual) - work*work*usual*usual
}

// days is the same in days from the latest cycle: how much the brake is used it
// must learn too.
func (o *oracle) days() Quantiles {
	l := o.l
	now := float64(l.cycles[o.n-1].AtNS-lifeStart) / float64(dayNS)
	level, levelU2 := o.use()
	// The law of the cycles, tabulated: the days ask for it often.
	law := crossingLaw{}
	most := quantileOf(o.cdf, 0.999, 10, never, 1e-2)
	for i := range 60 {
		t := math.Exp(math.Log(most+2) * float64(i) / 59)
		law.logT, law.normal = append(law.logT, math.Log(t)), append(law.normal, normalOf(o.cdf(t)))
	}
	byDay := func(days float64) float64 {
		var mean, variance float64
		for at, end := now, now+days; at < end; at = math.Floor(at) + 1 {
			// Cycles are made from six to twenty-two.
			part := func(at float64) float64 { return math.Min(math.Max((24*(at-math.Floor(now))-6)/16, 0), 1) }
			share := 1.0
			if day := math.Floor(at); day == math.Floor(now) {
				share = part(math.Min(end, day+1-1e-9)) - part(now)
			} else if end < day+1 {
				share = math.Min(math.Max((24*(end-day)-6)/16, 0), 1)
			}
			m, v := o.dayLaw(l.usual(int(at), level) * share)
			mean += m
			variance += v
		}
		if mean == 0 {
			return 0
		}
		variance += mean * mean * (levelU2 + 0.4*0.4*l.dutyChange/365*days/3)
		s2 := math.Log1p(variance / (mean * mean))
		s := math.Sqrt(s2)
		var p float64
		for i, x := range hermiteX {
			p += hermiteW[i] * law.cdf(mean*math.Exp(s*x-s2/2))
		}
		return p
	}
	guess := math.Max(1, most/l.perDay)
	q := func(p float64) float64 { return quantileOf(byDay, p, guess, maxDays, 1e-3) }
	return Quantiles{q(0.05), q(0.5), q(0.95)}
}

// byCycle and byDay are what a straight line may be drawn against.
func byCycle(_ *brakeLife, i int) float64 { return float64(i) }

func byDay(l *brakeLife, i int) float64 { return float64(l.cycles[i].AtNS) / float64(dayNS) }

// straightLine is the forecast of a least-squares line through the gaps since
// the last adjustment: how far the crossing is from the latest cycle.
func straightLine(l *brakeLife, n int, limitMM float64, along func(*brakeLife, int) float64) Quantiles {
	var k, sx, sy, sxx, sxy, syy float64
	from := 0
	if l.adjusted > 0 && l.adjusted < n {
		from = l.adjusted
	}
	for i := from; i < n; i++ {
		if c := l.cycles[i]; Has(c.GapMM) {
			x, y := along(l, i)-along(l, n-1), c.GapMM
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
		return math.Max(0, (limitMM-a)/slope)
	}
	return Quantiles{to(b + 1.645*se), to(b), to(b - 1.645*se)}
}

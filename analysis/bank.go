package analysis

import "math"

// bank is a set of Kalman filters of the state [gap, rate, extra], each with
// its own belief of what can't be seen directly: how long the lining runs in,
// how irregularly it wears, and how far the rate wanders. How well each has
// foretold the gaps gives it its weight. Lengths are mm, work is counted in
// cycles; rate is the wear per cycle of a lining run in, and extra what a new
// lining's first cycle wears beyond it, fading as exp(−cycles/τ).
type bank struct {
	set    bool
	way    float64
	at     float64 // work at which the filters stand
	lining float64 // work at which the lining was new, if it was
	worn   bool    // an earlier forecast of this brake knew the lining run in
	fitted bool    // the lining is new by the ledger, not by what the gap did
	list   [nTau * nKappa * nWander]belief
	family *Family
	member int
}

// belief is one filter of the bank.
type belief struct {
	g, m, b                float64
	gg, gm, gb, mm, mb, bb float64 // covariance
	fit                    float64 // logarithm of the likelihood of the gaps so far
	// rate and extra as they stood when the lining was taken to be new: mean
	// and variance of the rate, variance of the extra about zero
	m0, mm0, bb0 float64
}

const (
	nTau    = 10 // the first is a lining that doesn't run in
	nKappa  = 6
	nWander = 2
	nExtra  = 10
	nDrift  = nKappa * nWander

	priorRate  = 1.0 / 300 // prior standard deviation of the rate, ways a cycle
	priorExtra = 6.0       // … of the extra, as a multiple of that
	usualSpan  = 0.08      // the part of a life in which running-in fades to 1/e, seldom more than twice that
	usualRunIn = 0.15      // what running-in takes of the way, seldom more than twice that
)

// tauOf is how many cycles a lining takes to run in to 1/e.
func tauOf(i int) float64 { return math.Ldexp(30, i-1) }

// kappaOf is the variance that wear adds per length of it, as a part of the
// way: the squares of the relative standard deviation over the whole way.
func kappaOf(i int) float64 {
	return [nKappa]float64{0.004 * 0.004, 0.01 * 0.01, 0.02 * 0.02, 0.035 * 0.035, 0.06 * 0.06, 0.12 * 0.12}[i]
}

// wanderOf is how far the rate wanders on the whole way, as a part of itself.
func wanderOf(i int) float64 { return [nWander]float64{0.04, 0.22}[i] }

// extraOf is the extra of a new lining's first cycle, as a multiple of the
// rate.
func extraOf(i int) float64 { return 0.4 * math.Pow(1.4, float64(i)) }

func newBank(way float64, family *Family) *bank {
	b := &bank{way: way, family: family}
	if family != nil {
		b.member = family.join()
	}
	return b
}

func index(tau, kappa, wander int) int { return (tau*nKappa+kappa)*nWander + wander }

// add takes a gap with its variance, at so many cycles. It may be the mean over
// a span of cycles: then the wear's own irregularity within the span makes it
// differ from the gap in the middle, by a twelfth of what it adds over the span.
func (k *bank) add(gapMM, variance, work, span float64) {
	if !k.set {
		k.begin(gapMM, variance, work)
		return
	}
	cycles := work - k.at
	if cycles < 0 {
		return
	}
	age := k.at - k.lining
	for t := range nTau {
		var extra float64
		if t > 0 {
			tau := tauOf(t)
			extra = tau * math.Exp(-age/tau) * -math.Expm1(-cycles/tau)
		}
		for i := index(t, 0, 0); i < index(t+1, 0, 0); i++ {
			b := &k.list[i]
			kappa := kappaOf(i/nWander%nKappa) * k.way
			b.predict(cycles, extra, kappa, wanderOf(i%nWander), k.way)
			b.update(gapMM, variance+kappa*math.Max(b.m, 0)*span/12)
		}
	}
	k.at = work
}

func (k *bank) begin(gapMM, variance, work float64) {
	k.set, k.at, k.lining = true, work, 0
	s := priorRate * k.way
	for i := range k.list {
		k.list[i] = belief{g: gapMM, gg: variance, mm: s * s, mm0: s * s}
		if i >= index(1, 0, 0) {
			k.list[i].bb0 = math.Pow(priorExtra*s, 2)
			k.list[i].bb = k.list[i].bb0
		}
	}
}

// predict goes on by so many cycles, in which a new lining wears extra times
// its own extra.
func (b *belief) predict(cycles, extra, kappa, wander, way float64) {
	least := way / 1e6
	rate := math.Max(b.m, least)
	worn := math.Max(b.m*cycles+b.b*extra, least*cycles)
	q := wander * wander * rate * rate * rate / way
	b.g += b.m*cycles + b.b*extra
	gm := b.gm + cycles*b.mm + extra*b.mb
	gb := b.gb + cycles*b.mb + extra*b.bb
	b.gg += cycles*(b.gm+gm) + extra*(b.gb+gb) + kappa*worn + q*cycles*cycles*cycles/3
	b.gm = gm + q*cycles*cycles/2
	b.gb = gb
	b.mm += q * cycles
}

func (b *belief) update(gapMM, variance float64) {
	s := b.gg + variance
	nu := gapMM - b.g
	b.fit -= 0.5 * (math.Log(s) + nu*nu/s)
	kg, km, kb := b.gg/s, b.gm/s, b.gb/s
	b.g += kg * nu
	b.m += km * nu
	b.b += kb * nu
	b.bb -= kb * b.gb
	b.mb -= km * b.gb
	b.mm -= km * b.gm
	b.gb -= kg * b.gb
	b.gm -= kg * b.gm
	b.gg -= kg * b.gg
}

// restart puts the gap to a new level and keeps the rate. After a step down
// the lining may be new: then it runs in once more.
func (k *bank) restart(gapMM, variance, work float64, down bool) {
	if !k.set {
		return
	}
	// A lining that still runs in goes on doing so.
	if down = down && k.settled(); down {
		k.forget()
		k.lining, k.worn, k.fitted = work, true, false
	}
	k.relevel(gapMM, variance, work, down)
}

// relevel puts the gap to a new level, where renewed with a lining that may run
// in.
func (k *bank) relevel(gapMM, variance, work float64, renewed bool) {
	for i := range k.list {
		b := &k.list[i]
		b.g, b.gg, b.gm, b.gb = gapMM, variance, 0, 0
		if t := i / nDrift; renewed && t > 0 {
			b.m0, b.mm0 = b.m, b.mm
			b.bb0 = math.Pow(priorExtra*math.Max(b.m, k.way/1e6), 2) + b.mm
			b.b, b.bb, b.mb = 0, b.bb0, 0
		}
	}
	k.at = work
}

// settled reports whether the lining is run in: its extra has faded to less
// than a fifth of the rate.
func (k *bank) settled() bool {
	var rate, extra float64
	prior := k.prior()
	for _, p := range k.mixture(&prior, nil) {
		rate += p.weight * p.m
		extra += p.weight * p.b
	}
	return extra < 0.2*rate
}

// forget draws the beliefs about running-in together: each pair of kappa and
// wander goes on with what all of them said of the rate.
func (k *bank) forget() {
	var parts [nTau * nExtra]part
	prior := k.prior()
	for d := range nDrift {
		n := k.conditioned(d, &prior, &parts)
		one, fit := merged(parts[:n])
		for t := range nTau {
			b := &k.list[t*nDrift+d]
			b.m, b.mm, b.fit = one.m, one.mm, fit
			b.b, b.bb, b.mb, b.gb = 0, 0, 0, 0
		}
	}
	// Only differences count.
	top := k.list[0].fit
	for i := range k.list {
		top = math.Max(top, k.list[i].fit)
	}
	for i := range k.list {
		k.list[i].fit -= top
	}
}

// part is one Gaussian of the mixture that the bank believes in.
type part struct {
	belief
	weight float64 // its logarithm, until normalised
	tau    float64 // cycles over which the extra fades; 0 none
	kappa  float64 // mm
	wander float64
	t, e   int // where in the tables of running-in it stands
}

// conditioned writes, for one pair of kappa and wander, what each belief about
// running-in says: the lining that doesn't run in, and for each τ each multiple
// F of the rate that the extra may have been. The filters let rate m and extra
// b free of each other; F ties them by b = F·m, which is a linear condition on
// a normal law, and its likelihood is the density of b − F·m at zero, now
// against in the beginning (the Savage–Dickey ratio).
func (k *bank) conditioned(d int, prior *priors, out *[nTau * nExtra]part) int {
	n := 0
	kappa, wander := kappaOf(d/nWander)*k.way, wanderOf(d%nWander)
	none := &k.list[d]
	out[n] = part{*none, none.fit + prior.drift[d] + prior.still, 0, kappa, wander, 0, 0}
	n++
	for t := 1; t < nTau; t++ {
		b := &k.list[t*nDrift+d]
		for e := range nExtra {
			f := extraOf(e)
			c, v := b.b-f*b.m, b.bb-2*f*b.mb+f*f*b.mm
			c0, v0 := -f*b.m0, b.bb0+f*f*b.mm0
			if !(v > 1e-30*v0) {
				continue
			}
			w := b.fit + prior.drift[d] + prior.run[t][e] - 0.5*(math.Log(v/v0)+c*c/v-c0*c0/v0)
			p := part{*b, w, tauOf(t), kappa, wander, t, e}
			ag, am, ab := b.gb-f*b.gm, b.mb-f*b.mm, b.bb-f*b.mb
			p.g -= ag * c / v
			p.m -= am * c / v
			p.b -= ab * c / v
			p.gg -= ag * ag / v
			p.gm -= ag * am / v
			p.gb -= ag * ab / v
			p.mm -= am * am / v
			p.mb -= am * ab / v
			p.bb -= ab * ab / v
			taken := p.b * p.tau / (usualRunIn * k.way)
			lasts := p.m * p.tau / (usualSpan * k.way)
			p.weight -= prior.usual * (taken*taken + lasts*lasts) / 2
			out[n] = p
			n++
		}
	}
	return n
}

// merged is the normal law with the moments of a mixture, and the logarithm of
// the mixture's weight.
func merged(parts []part) (one part, weight float64) {
	top := math.Inf(-1)
	for i := range parts {
		top = math.Max(top, parts[i].weight)
	}
	var sum float64
	one = parts[0]
	one.belief = belief{}
	for i := range parts {
		p := &parts[i]
		w := math.Exp(p.weight - top)
		sum += w
		one.g += w * p.g
		one.m += w * p.m
		one.b += w * p.b
	}
	one.g, one.m, one.b = one.g/sum, one.m/sum, one.b/sum
	for i := range parts {
		p := &parts[i]
		w := math.Exp(p.weight-top) / sum
		g, m, b := p.g-one.g, p.m-one.m, p.b-one.b
		one.gg += w * (p.gg + g*g)
		one.gm += w * (p.gm + g*m)
		one.gb += w * (p.gb + g*b)
		one.mm += w * (p.mm + m*m)
		one.mb += w * (p.mb + m*b)
		one.bb += w * (p.bb + b*b)
	}
	one.weight = top + math.Log(sum)
	return one, one.weight
}

// relined reports whether the lining is plainly running in since the latest
// step down, so that it must be new.
func (k *bank) relined() bool {
	if !k.set || !k.worn || k.at == k.lining {
		return false
	}
	var parts [nTau * nExtra]part
	prior := k.prior()
	var still, run, top float64
	for d := range nDrift {
		n := k.conditioned(d, &prior, &parts)
		if d == 0 {
			top = parts[0].weight
		}
		for i := range n {
			switch w := math.Exp(math.Min(parts[i].weight-top, 600)); {
			case parts[i].tau == 0:
				still += w
			default:
				run += w
			}
		}
	}
	return run > 30*still
}

// kappaNow is what the bank believes of kappa at present.
func (k *bank) kappaNow() float64 {
	top := math.Inf(-1)
	for i := range k.list {
		top = math.Max(top, k.list[i].fit)
	}
	var sum, kappa float64
	for i := range k.list {
		if d := k.list[i].fit - top; d > -12 {
			w := math.Exp(d)
			sum += w
			kappa += w * kappaOf(i/nWander%nKappa)
		}
	}
	return kappa / sum * k.way
}

// normalise turns the logarithms of weights into weights that sum to one.
func normalise(parts []part) {
	top := math.Inf(-1)
	for i := range parts {
		top = math.Max(top, parts[i].weight)
	}
	var sum float64
	for i := range parts {
		parts[i].weight = math.Exp(parts[i].weight - top)
		sum += parts[i].weight
	}
	for i := range parts {
		parts[i].weight /= sum
	}
}

// mixture is what the bank believes now: for each pair of kappa and wander, each
// τ and each few values of the extra one normal law, those left out that can't
// count.
func (k *bank) mixture(prior *priors, buf []part) []part {
	var parts [nTau * nExtra]part
	age := k.at - k.lining
	buf = buf[:0]
	for d := range nDrift {
		n := k.conditioned(d, prior, &parts)
		for i := 0; i < n; {
			j := i + 1
			for j < n && parts[j].tau == parts[i].tau && parts[j].e/extrasTogether == parts[i].e/extrasTogether {
				j++
			}
			one, _ := merged(parts[i:j])
			one.fade(age)
			buf = append(buf, one)
			i = j
		}
	}
	buf = heaviest(buf, leastWeight*leastWeight)
	return buf
}

// settle is what is left of a mixture in view of what is known of the rate
// beforehand, the likeliest first. With an SD of zero nothing is known.
func settle(buf []part, rate lognormal) []part {
	if rate.sd > 0 {
		for i := range buf {
			buf[i].weight = math.Log(buf[i].weight)
			buf[i].reweigh(rate)
		}
	}
	buf = heaviest(buf, leastWeight)
	sortByWeight(buf)
	buf = buf[:min(len(buf), mostParts)]
	var sum float64
	for i := range buf {
		sum += buf[i].weight
	}
	for i := range buf {
		buf[i].weight /= sum
	}
	return buf
}

// fade turns the extra of the new lining's first cycle into that of now.
func (p *part) fade(age float64) {
	if p.tau == 0 {
		return
	}
	f := math.Exp(-age / p.tau)
	p.b, p.gb, p.mb, p.bb = p.b*f, p.gb*f, p.mb*f, p.bb*f*f
}

const (
	mostParts      = 40
	leastWeight    = 0.001
	extrasTogether = 3 // neighbouring values of the extra that are drawn together
)

// heaviest normalises the weights and leaves those out that are below least.
func heaviest(parts []part, least float64) []part {
	normalise(parts)
	n := 0
	for i := range parts {
		if parts[i].weight >= least {
			parts[n] = parts[i]
			n++
		}
	}
	return parts[:n]
}

// sortByWeight puts the heaviest first; equals keep their order.
func sortByWeight(p []part) {
	for i := 1; i < len(p); i++ {
		for j := i; j > 0 && p[j].weight > p[j-1].weight; j-- {
			p[j], p[j-1] = p[j-1], p[j]
		}
	}
}

// lognormal is the law of a rate: mean and standard deviation of its natural
// logarithm.
type lognormal struct{ mean, sd float64 }

// reweigh multiplies the normal law of the rate by a lognormal prior and takes
// the moments of the product for it.
func (p *part) reweigh(prior lognormal) {
	s := math.Sqrt(p.mm)
	var sum, m1, m2, top float64
	var lw [33]float64
	var x [33]float64
	n := 0
	if p.m > 0 && s < 0.25*p.m {
		for i, z := range hermiteX {
			x[i] = p.m + s*z
			l := (math.Log(x[i]) - prior.mean) / prior.sd
			lw[i] = math.Log(hermiteW[i]) - l*l/2 - math.Log(x[i]*prior.sd)
		}
		n = 5
	} else {
		n = len(x)
		for i := range x {
			l := -4 + 8*float64(i)/float64(n-1)
			x[i] = math.Exp(prior.mean + prior.sd*l)
			d := (x[i] - p.m) / s
			lw[i] = math.Log(8/float64(n-1)) - l*l/2 - d*d/2 - math.Log(s)
		}
	}
	top = lw[0]
	for i := range n {
		top = math.Max(top, lw[i])
	}
	for i := range n {
		w := math.Exp(lw[i] - top)
		sum += w
		m1 += w * x[i]
		m2 += w * x[i] * x[i]
	}
	m := m1 / sum
	v := math.Max(m2/sum-m*m, 1e-6*p.mm)
	p.weight += top + math.Log(sum)
	// Gap and extra follow by their regression on the rate.
	d, ratio := m-p.m, (v-p.mm)/(p.mm*p.mm)
	rg, rb := p.gm/p.mm, p.mb/p.mm
	p.g += rg * d
	p.b += rb * d
	p.gg += p.gm * p.gm * ratio
	p.gb += p.gm * p.mb * ratio
	p.bb += p.mb * p.mb * ratio
	p.gm, p.mb = rg*v, rb*v
	p.m, p.mm = m, v
}

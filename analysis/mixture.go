package analysis

import "math"

// part is one Gaussian of the mixture that the bank believes in.
type part struct {
	belief
	weight float64 // its logarithm, until normalised
	tau    float64 // cycles over which the extra fades; 0 none
	kappa  float64 // mm
	wander float64
	f      float64 // the extra of a new lining's first cycle, as a multiple of the rate
	t, e   int     // where in the tables of running-in it stands
}

// conditioned writes, for one pair of kappa and wander, what each belief about
// running-in says: the lining that doesn't run in, and for each τ each multiple
// F of the rate that the extra may have been. The filters let rate m and extra
// b free of each other; F ties them by b = F·m, which is a linear condition on
// a normal law, and its likelihood is the density of b − F·m at zero, now
// against in the beginning (the Savage–Dickey ratio). The rate's own law in the
// beginning, which is flat where it matters, is then narrower the greater F is,
// which mustn't count.
func (k *bank) conditioned(d int, prior *priors, out *[nTau * nExtra]part) int {
	n := 0
	kappa, wander := kappaOf(d/nWander)*k.way, wanderOf(d%nWander)
	none, began := k.list[d].belief(), &k.began[d]
	out[n] = part{belief: none, weight: none.fit + prior.drift[d] + prior.still, kappa: kappa, wander: wander}
	n++
	for t := 1; t < nTau; t++ {
		b := k.list[t*nDrift+d].belief()
		for e := range nExtra {
			f := extraOf(e)
			c, v := b.b-f*b.m, b.bb-2*f*b.mb+f*f*b.mm
			c0, v0 := -f*began.m, began.bb+f*f*began.mm
			if !(v > 1e-30*v0) {
				continue
			}
			narrower := began.bb / v0
			w := b.fit + prior.drift[d] - 0.5*(math.Log(v/v0/narrower)+c*c/v-c0*c0/v0)
			p := part{b, w, tauOf(t), kappa, wander, f, t, e}
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
			p.weight += prior.runIn(&p)
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
	one.belief, one.f = belief{}, 0
	for i := range parts {
		p := &parts[i]
		w := math.Exp(p.weight - top)
		sum += w
		one.g += w * p.g
		one.m += w * p.m
		one.b += w * p.b
		one.f += w * p.f
	}
	one.f /= sum
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
// beforehand, the likeliest first. With no prior nothing is known.
func settle(buf []part, prior *priors) []part {
	if prior != nil {
		for i := range len(buf) {
			var other part
			buf[i].weight = math.Log(buf[i].weight)
			if buf[i], other = prior.weighed(buf[i]); prior.odd > 0 {
				buf = append(buf, other)
			}
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
		// Evenly in the logarithm, over what both laws allow.
		n = len(x)
		lo, hi := prior.mean-4*prior.sd, prior.mean+4*prior.sd
		if most := math.Log(math.Max(p.m+4*s, 0)); most > lo {
			hi = math.Min(hi, most)
			lo = math.Max(lo, math.Max(hi-7, math.Log(math.Max(p.m-4*s, 0))))
		}
		step := (hi - lo) / float64(n-1)
		for i := range x {
			x[i] = math.Exp(lo + step*float64(i))
			l, d := (lo+step*float64(i)-prior.mean)/prior.sd, (x[i]-p.m)/s
			lw[i] = math.Log(step/prior.sd) - l*l/2 - d*d/2 - math.Log(s*math.Sqrt(2*math.Pi))
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

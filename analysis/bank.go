package analysis

import (
	"math"
	"slices"
)

// bank is a set of Kalman filters of the state [gap, rate, extra], each with
// its own belief of what can't be seen directly: how long the lining runs in,
// how irregularly it wears, and how far the rate wanders. How well each has
// foretold the gaps gives it its weight. Lengths are mm, work is counted in
// cycles; rate is the wear per cycle of a lining run in, and extra what a new
// lining's first cycle wears beyond it, fading as exp(−cycles/τ).
type bank struct {
	set      bool
	way      float64
	at       float64 // work at which the filters stand
	lining   float64 // work at which the lining was new, if it was
	worn     bool    // an earlier forecast of this brake knew the lining run in
	fitted   bool    // the lining is new by the ledger, not by what the gap did
	*filters         // nil until it begins
	family   *Family
	member   int
}

// filters are what the bank is made of. It is the largest part of what is known of
// a brake, so that they are kept small; see [filter].
type filters struct {
	list  [nTau * nKappa * nWander]filter
	began [nDrift]beginning
}

// belief is one filter of the bank.
type belief struct {
	g, m, b                float64
	gg, gm, gb, mm, mb, bb float64 // covariance
	fit                    float64 // logarithm of the likelihood of the gaps so far
}

// beginning is how rate and extra stood when the lining was taken to be new:
// mean and variance of the rate, variance of the extra about zero. It is the
// same for each τ.
type beginning struct{ m, mm, bb float64 }

const (
	nTau    = 18 // the first is a lining that doesn't run in
	nKappa  = 5
	nWander = 2
	nExtra  = 10
	nDrift  = nKappa * nWander

	priorRate  = 1.0 / 300 // prior standard deviation of the rate, ways a cycle
	priorExtra = 6.0       // … of the extra, as a multiple of that
	tauRatio   = 1.5       // of neighbouring τ …
	extraRatio = 1.4       // … and extras
)

// tauOf is how many cycles a lining takes to run in to 1/e: 30 and on by
// tauRatio. Coarser steps than that cost a forecast more than it can spare.
func tauOf(i int) float64 {
	return [nTau]float64{0, 30, 45, 67.5, 101.25, 151.875, 227.8125, 341.71875, 512.578125, 768.8671875,
		1153.30078125, 1729.951171875, 2594.9267578125, 3892.39013671875, 5838.585205078125,
		8757.877807617188, 13136.816711425781, 19705.225067138672}[i]
}

// kappaOf is the variance that wear adds per length of it, as a part of the
// way: the squares of the relative standard deviation over the whole way.
func kappaOf(i int) float64 {
	return [nKappa]float64{0.01 * 0.01, 0.02 * 0.02, 0.035 * 0.035, 0.06 * 0.06, 0.12 * 0.12}[i]
}

// wanderOf is how far the rate wanders on the whole way, as a part of itself.
func wanderOf(i int) float64 { return [nWander]float64{0.04, 0.22}[i] }

// extraOf is the extra of a new lining's first cycle, as a multiple of the
// rate: 0.4 and on by extraRatio.
func extraOf(i int) float64 {
	return [nExtra]float64{0.4, 0.56, 0.784, 1.0976, 1.53664, 2.151296, 3.0118144, 4.21654016, 5.903156224, 8.2644187136}[i]
}

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
	if !(cycles > 0) {
		return
	}
	age := k.at - k.lining
	var extra [nTau]float64
	for t := 1; t < nTau; t++ {
		tau := tauOf(t)
		extra[t] = tau * math.Exp(-age/tau) * -math.Expm1(-cycles/tau)
	}
	worn := k.wornIn(gapMM, variance, cycles, &extra)
	top := k.bestFit() // only differences count
	for i := range k.list {
		b := k.list[i].belief()
		kappa := kappaOf(i/nWander%nKappa) * k.way
		b.predict(cycles, extra[i/nDrift], worn, kappa, wanderOf(i%nWander), k.way)
		b.update(gapMM, variance+kappa*worn/cycles*span/12)
		b.fit -= top
		k.list[i].keep(&b)
	}
	k.at = work
}

func (k *bank) begin(gapMM, variance, work float64) {
	k.set, k.at, k.lining = true, work, 0
	k.filters = &filters{}
	s := priorRate * k.way
	for d := range k.began {
		k.began[d] = beginning{mm: s * s, bb: math.Pow(priorExtra*s, 2)}
	}
	for i := range k.list {
		b := belief{g: gapMM, gg: variance, mm: s * s}
		if i >= index(1, 0, 0) {
			b.bb = k.began[i%nDrift].bb
		}
		k.list[i].keep(&b)
	}
}

// wornIn is what all filters together take for the wear of so many cycles that
// end with a gap. How irregular the wear is goes by it in each of them: were it
// by what each takes for itself, those whose rate and extra can't yet be told
// from each other would look the likelier for it. The gap counts as well, for
// before the first nothing is known of the rate.
func (k *bank) wornIn(gapMM, variance, cycles float64, extra *[nTau]float64) float64 {
	top := k.bestFit()
	var sum, worn float64
	for i := range k.list {
		if d := float64(k.list[i].fit) - top; d > -12 {
			b := k.list[i].belief()
			w := math.Exp(d)
			sum += w
			e := extra[i/nDrift]
			mean := b.m*cycles + b.b*e
			v := cycles*cycles*b.mm + 2*cycles*e*b.mb + e*e*b.bb
			worn += w * (mean + (gapMM-b.g-mean)*v/(v+b.gg+variance))
		}
	}
	return math.Max(worn/sum, k.way/1e6*cycles)
}

func (k *bank) bestFit() float64 {
	top := math.Inf(-1)
	for i := range k.list {
		top = math.Max(top, float64(k.list[i].fit))
	}
	return top
}

// predict goes on by so many cycles, in which a new lining wears extra times
// its own extra, and the gap worn in all.
func (b *belief) predict(cycles, extra, worn, kappa, wander, way float64) {
	rate := math.Max(math.Min(b.m, worn/cycles), way/1e6)
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
	if renewed {
		for d := range k.began {
			b := k.list[d].belief() // like those of each τ: they have just been drawn together
			k.began[d] = beginning{b.m, b.mm, math.Pow(priorExtra*math.Max(b.m, k.way/1e6), 2) + b.mm}
		}
	}
	for i := range k.list {
		b := k.list[i].belief()
		b.g, b.gg, b.gm, b.gb = gapMM, variance, 0, 0
		if t := i / nDrift; renewed && t > 0 {
			b.b, b.bb, b.mb = 0, k.began[i%nDrift].bb, 0
		}
		k.list[i].keep(&b)
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
// wander goes on with what all of them said of the rate. The siblings are told
// before what this brake will know no more.
func (k *bank) forget() {
	k.share()
	var parts [nTau * nExtra]part
	var fits [nDrift]float64
	prior := k.prior()
	for d := range nDrift {
		n := k.conditioned(d, &prior, &parts)
		one, fit := merged(parts[:n])
		fits[d] = fit
		for t := range nTau {
			b := k.list[t*nDrift+d].belief()
			b.m, b.mm = one.m, one.mm
			b.b, b.bb, b.mb, b.gb = 0, 0, 0, 0
			k.list[t*nDrift+d].keep(&b)
		}
	}
	top := slices.Max(fits[:]) // only differences count
	for i := range k.list {
		k.list[i].fit = float32(fits[i%nDrift] - top)
	}
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
	top := k.bestFit()
	var sum, kappa float64
	for i := range k.list {
		if d := float64(k.list[i].fit) - top; d > -12 {
			w := math.Exp(d)
			sum += w
			kappa += w * kappaOf(i/nWander%nKappa)
		}
	}
	return kappa / sum * k.way
}

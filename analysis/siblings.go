package analysis

import "math"

const (
	mostSiblings = 24 // more tell nothing new of how a model's linings run in
	siblingSteps = 16

	// By how much brakes of one model differ in extra and in τ, standard deviation
	// of the logarithm, weighing as much as so many brakes. Common practice, no
	// published source.
	runInWithin   = 0.3
	runInWithinOf = 4.0
)

// fromSiblings takes from siblings how linings of the model run in, and returns
// how likely one doesn't. Each sibling knows by itself only how likely its gaps
// are for each way of running in; what they have in common comes out by weighing
// these with what all of them show together, again and again: after the EM
// algorithm (A. P. Dempster, N. M. Laird, D. B. Rubin, J. Royal Statistical
// Society B 39, 1977), for a lognormal law of extra and τ. What is believed in
// general counts as a part of a brake beside them. It is left as it is where no
// sibling has told.
func (p *priors) fromSiblings(members []summary, but int, rate float64) (still float64) {
	var general, law, shown runTable
	general.still = stillNew
	one := part{belief: belief{m: rate}}
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			one.f, one.tau, one.t, one.e = extraOf(e), tauOf(t), t, e
			x := p.offUsual(&one)
			general.run[t][e] = (1 - stillNew) * math.Exp(p.extra[e]-x*x/2)
		}
	}
	law = general
	var n float64
	for range siblingSteps {
		n, shown = 0, runTable{}
		for i := range members {
			if m := &members[i]; i != but && m.told && n < mostSiblings {
				n++
				shown.addPosterior(m.likely, &law)
			}
		}
		shown.smooth()
		law = shown
		law.add(&general, sharedOnce)
		law.scale(1 / (sharedOnce + n))
	}
	still = math.Min(math.Max(law.still, 0.02), 0.98)
	if n == 0 {
		return still
	}
	all := (sharedOnce + n) * (1 - law.still)
	p.usual = sharedOnce * (1 - stillNew) / all
	shown.scale(1 / all)
	p.run = shown.run
	return still
}

// runTable is a law, or a likelihood, of the ways in which a lining may run in.
type runTable struct {
	still float64
	run   [nTau][nExtra]float64
}

func (a *runTable) add(b *runTable, times float64) {
	a.still += times * b.still
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			a.run[t][e] += times * b.run[t][e]
		}
	}
}

func (a *runTable) scale(by float64) {
	a.still *= by
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			a.run[t][e] *= by
		}
	}
}

// addPosterior adds what a likelihood makes of a law.
func (a *runTable) addPosterior(likely, law *runTable) {
	sum := likely.still * law.still
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			sum += likely.run[t][e] * law.run[t][e]
		}
	}
	if !(sum > 0) {
		return
	}
	a.still += likely.still * law.still / sum
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			a.run[t][e] += likely.run[t][e] * law.run[t][e] / sum
		}
	}
}

// smooth makes of how so many brakes ran in how another may: lognormal about
// what they have in the middle, which isn't quite known either. A few brakes say
// little of how much they differ, so that what is usual counts beside them.
func (a *runTable) smooth() {
	var n float64
	var taus, extras moments
	for t := 1; t < nTau; t++ {
		for e, w := range a.run[t] {
			n += w
			taus.add(w, float64(t))
			extras.add(w, float64(e))
		}
	}
	if n < 1e-6 { // none ran in
		return
	}
	var ofTau [nTau]float64
	var ofExtra [nExtra]float64
	taus.law(ofTau[1:], 1, n, runInWithin/math.Log(tauRatio))
	extras.law(ofExtra[:], 0, n, runInWithin/math.Log(extraRatio))
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			a.run[t][e] = n * ofTau[t] * ofExtra[e]
		}
	}
}

// moments are the sums of weighted values and of their squares.
type moments struct{ sum, square float64 }

func (m *moments) add(weight, x float64) {
	m.sum += weight * x
	m.square += weight * x * x
}

// law writes a normal law of another value into cells whose first stands for
// first: n values were seen, which scatter by within as far as is known
// beforehand.
func (m *moments) law(cells []float64, first int, n, within float64) {
	mean := m.sum / n
	variance := (runInWithinOf*within*within + math.Max(m.square-n*mean*mean, 0)) / (runInWithinOf + n) * (1 + 1/n)
	var sum float64
	for i := range cells {
		d := float64(first+i) - mean
		cells[i] = math.Exp(-d * d / (2 * variance))
		sum += cells[i]
	}
	for i := range cells {
		cells[i] /= sum
	}
}

package analysis

import "math"

// Family is what the brakes of one model share of what they learn about wear and
// scatter: while a brake's own history is short, the others' stand in for it. All
// its brakes must be stepped from one goroutine, in the order in which their
// samples came: then the same samples give the same results.
type Family struct {
	members []summary
}

// NewFamily makes a family without members; each [New] with it in the settings
// adds one.
func NewFamily() *Family { return &Family{} }

func (f *Family) join() int {
	f.members = append(f.members, summary{})
	return len(f.members) - 1
}

// summary is what one brake knows about its own wear.
type summary struct {
	known  bool
	logM   float64 // logarithm of the rate, ways a cycle …
	logSD  float64 // … and its standard uncertainty
	drift  [nDrift]float64
	noise  scale     // of its gaps' errors, in the variance that they state; dof 0: not known yet
	told   bool      // how likely its gaps are for each way of running in …
	likely *runTable // … which is kept of as many as are looked at
}

// share tells the family what this brake knows by now.
func (k *bank) share() {
	if k.family == nil || !k.set {
		return
	}
	s := &k.family.members[k.member]
	var parts [nTau * nExtra]part
	prior := k.prior()
	top := math.Inf(-1)
	var logM, weightM, logV float64
	for d := range nDrift {
		m := k.conditioned(d, &prior, &parts)
		for i := range m {
			top = math.Max(top, parts[i].weight)
		}
	}
	// Second pass, now that the greatest weight is known.
	var drift [nDrift]float64
	var likely runTable
	var sum float64
	for d := range nDrift {
		m := k.conditioned(d, &prior, &parts)
		for i := range m {
			one := &parts[i]
			w := math.Exp(one.weight - top)
			sum += w
			drift[d] += w
			if one.tau == 0 {
				likely.still += w / math.Exp(prior.still)
			} else {
				likely.run[one.t][one.e] += math.Exp(one.weight - top - prior.runIn(one))
			}
			if r := parts[i].m; r > 0 {
				l := math.Log(r / k.way)
				logM += w * l
				logV += w * (l*l + math.Min(parts[i].mm/(r*r), 1))
				weightM += w
			}
		}
	}
	if !(weightM > 0.95*sum) {
		return // no wear to speak of yet
	}
	for d := range drift {
		drift[d] /= sum
	}
	s.drift, s.known = drift, true
	s.logM = logM / weightM
	s.logSD = math.Sqrt(math.Max(logV/weightM-s.logM*s.logM, 1e-8))
	if !k.worn {
		s.likely, s.told = &likely, true
		k.family.spare()
	}
}

const (
	noiseKnownFrom = 100 // gaps from which a brake tells its siblings how much they scatter

	// By how much that differs from what gaps state, and among brakes of one model,
	// as the variance of its logarithm, the latter weighing as much as so many
	// brakes. Common practice, no published source.
	noiseOff      = 0.2
	noiseWithin   = 0.09
	noiseWithinOf = 4.0
)

// noise is what the siblings of a brake say of how much its gaps scatter, in the
// variance that they state: the mean of their logarithms, held by what is usual,
// known as well as they agree (empirical Bayes; the logarithm of a variance of n
// degrees of freedom has the variance 2/n). Where none knows it is as stated, known
// with so many degrees of freedom.
func (f *Family) noise(but int, dof float64) scale {
	var n, sum, squares float64
	if f != nil {
		for i := range f.members {
			if m := &f.members[i]; i != but && m.noise.dof > 0 {
				l := math.Log(m.noise.variance)
				n++
				sum += l
				squares += l * l
			}
		}
	}
	if n == 0 {
		return scale{variance: 1, dof: dof}
	}
	within := (noiseWithinOf*noiseWithin + squares - sum*sum/n) / (noiseWithinOf + n)
	weight := 1/noiseOff + n/within
	return scale{variance: math.Exp(sum / within / weight), dof: 2 / (within + 1/weight)}
}

// spare forgets what nobody will look at any more: a brake looks at the first
// [mostSiblings] that have told, so that the one after them is the last that any
// looks at.
func (f *Family) spare() {
	told := 0
	for i := range f.members {
		if m := &f.members[i]; m.told {
			if told++; told > mostSiblings+1 {
				m.likely = nil
			}
		}
	}
}

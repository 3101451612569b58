package analysis

import "math"

// Family is what the brakes of one model share of what they learn about wear:
// while a brake's own history is short, the others' stand in for it. All its
// brakes must be stepped from one goroutine, in the order in which their
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

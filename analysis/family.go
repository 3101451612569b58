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
	known bool
	logM  float64 // logarithm of the rate, ways a cycle …
	logSD float64 // … and its standard uncertainty
	drift [nDrift]float64
	still float64 // that its lining didn't run in
	run   [nTau][nExtra]float64
	ranIn bool // run says anything
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
	var run [nTau][nExtra]float64
	var still, sum float64
	for d := range nDrift {
		m := k.conditioned(d, &prior, &parts)
		for i := range m {
			w := math.Exp(parts[i].weight - top)
			sum += w
			drift[d] += w
			if parts[i].tau == 0 {
				still += w
			} else {
				run[parts[i].t][parts[i].e] += w
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
	ran := sum - still
	if !k.worn {
		s.still = still / sum
	}
	if ran > 0.9*sum && !k.worn {
		s.ranIn = true
		for t := range run {
			for e := range run[t] {
				s.run[t][e] = run[t][e] / ran
			}
		}
		s.spread()
	}
}

// spread makes of how one brake ran in how another may: brakes of a model differ
// in it by a quarter or so, about half a step of the tables each way.
func (s *summary) spread() {
	var out [nTau][nExtra]float64
	kernel := [3]float64{0.25, 0.5, 0.25}
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			for i, a := range kernel {
				for j, b := range kernel {
					out[max(1, min(nTau-1, t+i-1))][max(0, min(nExtra-1, e+j-1))] += a * b * s.run[t][e]
				}
			}
		}
	}
	s.run = out
}

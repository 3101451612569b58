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

// priors are logarithms of what is believed before a brake's own gaps say
// otherwise.
type priors struct {
	drift [nDrift]float64
	still float64
	run   [nTau][nExtra]float64
	rate  lognormal
	usual float64 // how much what is usual of linings in general counts beside run
}

// What is believed of a brake of a model that nothing is known of.
const (
	stillNew   = 0.35 // that a lining first seen is already run in
	stillStep  = 0.80 // that a gap that fell was adjusted and has no new lining
	rateSpread = 1.5  // standard deviation of the logarithm of the rate
	rateWithin = 0.45 // … within one model, weighing as much as two brakes
	wanders    = 0.15 // that the rate wanders
	sharedOnce = 0.7  // how much what is believed in general counts beside the siblings, in brakes
)

func (k *bank) prior() priors {
	var p priors
	var drift [nDrift]float64
	var run [nTau][nExtra]float64
	var runSum, n float64
	for d := range drift {
		drift[d] = sharedOnce / nDrift
		if d%nWander == 1 {
			drift[d] *= 2 * wanders
		} else {
			drift[d] *= 2 * (1 - wanders)
		}
	}
	general := k.generalRunIn()
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			run[t][e] = sharedOnce * general[t][e]
		}
	}
	runSum = sharedOnce
	var logs, logVar, weights, stills float64
	if k.family != nil {
		for i := range k.family.members {
			m := &k.family.members[i]
			if i == k.member || !m.known {
				continue
			}
			n++
			stills += m.still
			for d := range drift {
				drift[d] += m.drift[d]
			}
			if m.ranIn {
				runSum++
				for t := 1; t < nTau; t++ {
					for e := range nExtra {
						run[t][e] += m.run[t][e]
					}
				}
			}
			w := 1 / (rateWithin*rateWithin + m.logSD*m.logSD)
			weights += w
			logs += w * m.logM
		}
	}
	var driftSum float64
	for d := range drift {
		driftSum += drift[d]
	}
	for d := range drift {
		p.drift[d] = math.Log(drift[d] / driftSum)
	}
	still := stillNew
	switch {
	case k.worn && !k.fitted:
		still = stillStep
	case n > 0:
		still = math.Min(math.Max((sharedOnce*stillNew+stills)/(sharedOnce+n), 0.02), 0.98)
	}
	p.still = math.Log(still)
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			p.run[t][e] = math.Log(run[t][e] / runSum * (1 - still))
		}
	}
	p.usual = sharedOnce / runSum // what the siblings show has it in already
	p.rate = lognormal{math.Log(k.way / 30000), rateSpread}
	if n > 0 {
		mean := logs / weights
		for i := range k.family.members {
			m := &k.family.members[i]
			if i != k.member && m.known {
				logVar += math.Max((m.logM-mean)*(m.logM-mean)-m.logSD*m.logSD, 0)
			}
		}
		within := (2*rateWithin*rateWithin + logVar) / (n + 1)
		p.rate = lognormal{mean + math.Log(k.way), math.Sqrt(within * (1 + 1/n))}
	}
	return p
}

// generalRunIn is what is believed of running-in before anything is known: any
// length of it alike, and an extra of about twice the rate.
func (k *bank) generalRunIn() (run [nTau][nExtra]float64) {
	var sum float64
	for e := range nExtra {
		l := math.Log(extraOf(e)/2) / 0.8
		w := math.Exp(-l * l / 2)
		sum += w
		for t := 1; t < nTau; t++ {
			run[t][e] = w
		}
	}
	for t := 1; t < nTau; t++ {
		for e := range nExtra {
			run[t][e] /= sum * (nTau - 1)
		}
	}
	return run
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
	}
}

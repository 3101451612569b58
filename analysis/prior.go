package analysis

import "math"

// priors are logarithms of what is believed before a brake's own gaps say
// otherwise.
type priors struct {
	drift [nDrift]float64
	still float64               // that the lining doesn't run in
	runs  float64               // … and that it does
	extra [nExtra]float64       // of each extra and a step in τ, of linings in general
	run   [nTau][nExtra]float64 // what the siblings add: not a logarithm
	usual float64               // how much linings in general count beside them
	rate  lognormal
	odd   float64 // that the rate is one of a wider law
	way   float64
}

// What is believed of a brake of a model that nothing is known of.
const (
	stillNew   = 0.5  // that a lining first seen is already run in
	stillStep  = 0.80 // that a gap that fell was adjusted and has no new lining
	usualLife  = 9000 // cycles in which the way is worn: in most brakes 3000 to 30000, common practice, no published source …
	rateSpread = 0.8  // … and the standard deviation of its logarithm …
	oddSpread  = 2.0  // … or this one: some brakes drag, and some hardly work
	odd        = 0.08 // that this is one of them
	rateWithin = 0.45 // … within one model, weighing as much as two brakes
	wanders    = 0.10 // that the rate wanders
	sharedOnce = 0.7  // how much what is believed in general counts beside the siblings, in brakes

	// A new lining touches its mate with a part c of its face, on which all of the
	// work falls, so that it wears 1/c times as fast: 1+F times. From a quarter to
	// half of the face is usual, and less than a seventh seldom.
	usualExtra  = 2.0
	extraSpread = 0.6 // of the logarithm
	// What stands off at first, some hundredths of a millimetre of flatness and
	// taper, is what running-in takes of the way besides. Both are common practice,
	// no published source, and held loosely.
	usualRunIn  = 0.03
	runInSpread = 1.0 // of the logarithm
)

func (k *bank) prior() priors {
	p := priors{way: k.way, extra: generalExtras()}
	var drift [nDrift]float64
	for d := range drift {
		drift[d] = sharedOnce / nDrift
		if d%nWander == 1 {
			drift[d] *= 2 * wanders
		} else {
			drift[d] *= 2 * (1 - wanders)
		}
	}
	var n, logs, logVar, weights float64
	if k.family != nil {
		for i := range k.family.members {
			m := &k.family.members[i]
			if i == k.member || !m.known {
				continue
			}
			n++
			for d := range drift {
				drift[d] += m.drift[d]
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
	p.usual = 1
	still := stillNew
	if n > 0 {
		still = p.fromSiblings(k.family.members, k.member, k.way*math.Exp(logs/weights))
	}
	if k.worn && !k.fitted {
		still = stillStep
	}
	p.still, p.runs = math.Log(still), math.Log(1-still)
	p.rate = lognormal{math.Log(k.way / usualLife), rateSpread}
	if n == 0 {
		p.odd = odd
	} else {
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

// generalExtras are the logarithms of what is believed of each extra before
// anything is known, times the height over a step in τ of the law of what
// running-in takes.
func generalExtras() (of [nExtra]float64) {
	var sum float64
	for e := range of {
		l := math.Log(extraOf(e)/usualExtra) / extraSpread
		of[e] = math.Exp(-l * l / 2)
		sum += of[e]
	}
	step := math.Log(tauRatio) / (math.Sqrt(2*math.Pi) * runInSpread)
	for e := range of {
		of[e] = math.Log(of[e] / sum * step)
	}
	return of
}

// offUsual is by how much what a part's running-in takes of the way is off what
// is usual, in standard deviations.
func (p *priors) offUsual(one *part) float64 {
	rate := math.Sqrt(one.m*one.m + one.mm)
	return math.Log(one.f*one.tau*rate/(p.way*usualRunIn)) / runInSpread
}

// runIn is the logarithm of what was believed beforehand of a lining that runs
// in as this part has it.
func (p *priors) runIn(one *part) float64 {
	x := p.offUsual(one)
	general := p.extra[one.e] - x*x/2
	if p.usual == 1 {
		return p.runs + general
	}
	return p.runs + math.Log(p.usual*math.Exp(general)+p.run[one.t][one.e])
}

// weighed is what becomes of a part in view of what is known of the rate
// beforehand, and what where the brake is an odd one, if it may be: its rate is
// then far off what is usual, and what it shows soon says so.
func (p *priors) weighed(one part) (usual, odd part) {
	usual, odd = one, one
	usual.weight += math.Log(1 - p.odd)
	p.reweigh(&usual, p.rate)
	if p.odd > 0 {
		odd.weight += math.Log(p.odd)
		p.reweigh(&odd, lognormal{p.rate.mean, oddSpread})
	}
	return usual, odd
}

// reweigh is for the part a law of the rate known beforehand. Without siblings
// what running-in usually takes says something of it as well, and is taken for
// each rate that the part allows in place of for their mean.
func (p *priors) reweigh(one *part, rate lognormal) {
	if one.tau == 0 || p.usual < 1 {
		one.reweigh(rate)
		return
	}
	x := p.offUsual(one)
	one.weight += x * x / 2
	// The product of two lognormal laws of the rate.
	with := lognormal{math.Log(p.way * usualRunIn / (one.f * one.tau)), runInSpread}
	v1, v2 := rate.sd*rate.sd, with.sd*with.sd
	v, d := v1*v2/(v1+v2), with.mean-rate.mean
	one.weight -= (d*d/(v1+v2) - math.Log(v/v1)) / 2
	one.reweigh(lognormal{(rate.mean*v2 + with.mean*v1) / (v1 + v2), math.Sqrt(v)})
}

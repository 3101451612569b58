package analysis

import (
	"cmp"
	"math"
	"slices"
)

// byHand is what is known of the gap of a brake without a travel probe: from
// readings by hand, from the steps taken at the adjuster, and from the work
// between them. Work is counted in cycles where there is a drive signal, and in
// days where there is none; rates are mm per unit of it.
//
// For each of a grid of wear rates a filter follows the gap as if that rate were
// the true one; how well each foretold the readings, and what is usual of such
// linings, gives it its weight. So a few readings a year are enough, the rate is
// never below zero, and what they leave open widens everything that follows.
type byHand struct {
	known    bool // the gap was read since it last became unknown
	readings int
	worn     bool    // wear can be told from zero
	at       float64 // work at the latest event
	toNow    float64 // work since
	common   float64 // standard uncertainty that the readings share: it doesn't average out
	way      float64
	rates    [handRates]handRate
}

// handRate is the filter that believes in one rate.
type handRate struct {
	rate   float64
	g, gg  float64 // gap at the latest event, and its variance
	weight float64
}

const (
	handRates  = 33
	handSpread = 4.0  // how far the grid reaches, standard deviations
	handKappa  = 0.05 // the wear's own irregularity over the whole way, as a part of it
	handWander = 0.22 // how far the rate wanders on the whole way, as a part of itself
	// By time alone nothing is known of how much a brake is used. A brake that is
	// left to readings by hand is one that goes about a year from target to adjust;
	// one in twenty does so in ten weeks. Common practice, no published source.
	handWayDays    = 365.0
	handDaysSpread = 1.0
)

// handEvent is what happened to the gap at some work.
type handEvent struct {
	work float64
	kind handEventKind
	mm   float64 // a reading, or what a step took off
	own  float64 // standard uncertainty of a reading that other readings don't share …
	all  float64 // … and that they do
}

type handEventKind uint8

const (
	handRead    handEventKind = iota
	handStepped               // the gap changed by a known length
	handLost                  // … by one not known: nothing is known of it until it is read
)

// followByHand is what a brake's events say, in the order of work. prior is the
// law of the rate beforehand.
func followByHand(events []handEvent, prior lognormal, way float64) byHand {
	mean, sd := prior.mean, prior.sd
	var h byHand
	// Once over all that may be, then closely over what is left of it.
	for range 2 {
		h = byHand{way: way}
		for i := range h.rates {
			l := mean + sd*handSpread*(2*float64(i)/(handRates-1)-1)
			z := (l - prior.mean) / prior.sd
			h.rates[i] = handRate{rate: math.Exp(l), weight: -z * z / 2}
		}
		still := handRate{}
		for _, e := range events {
			h.take(e, &still)
		}
		best := h.rates[0].weight
		for i := range h.rates {
			z := (math.Log(h.rates[i].rate) - prior.mean) / prior.sd
			best = math.Max(best, h.rates[i].weight+z*z/2)
		}
		// The likelihood ratio, one-sided at 95 %.
		h.worn = 2*(best-still.weight) > GuardFactor*GuardFactor
		mean, sd = h.normalised()
		sd = math.Max(sd, 0.01)
	}
	return h
}

// take goes on to an event. still is the filter that believes in no wear.
func (h *byHand) take(e handEvent, still *handRate) {
	if h.known {
		work := e.work - h.at
		for i := range h.rates {
			r := &h.rates[i]
			r.g, r.gg = r.after(work, h.way)
		}
	}
	h.at = e.work
	each := func(do func(*handRate)) {
		for i := range h.rates {
			do(&h.rates[i])
		}
		do(still)
	}
	switch {
	case e.kind == handLost:
		h.known = false
	case e.kind == handStepped:
		each(func(r *handRate) { r.g -= e.mm })
	case !h.known:
		h.known, h.common = true, e.all
		h.readings++
		each(func(r *handRate) { r.g, r.gg = e.mm, math.Max(e.own*e.own, 1e-8) })
	default:
		h.readings++
		h.common = math.Min(h.common, e.all)
		// What the readings share is left out: it moves all alike.
		own := e.own*e.own + math.Max(e.all*e.all-h.common*h.common, 0)
		each(func(r *handRate) { r.update(e.mm, math.Max(own, 1e-8)) })
	}
}

// after is the gap after so much work, and its variance.
func (r *handRate) after(work, way float64) (g, gg float64) {
	wander := handWander * handWander * r.rate * r.rate * r.rate / way
	return r.g + r.rate*work, r.gg + handKappa*handKappa*way*r.rate*work + wander*work*work*work/3
}

func (r *handRate) update(mm, variance float64) {
	s := r.gg + variance
	nu := mm - r.g
	r.weight -= 0.5 * (math.Log(s) + nu*nu/s)
	r.g += r.gg / s * nu
	r.gg *= variance / s
}

// normalised makes the weights sum to one, and is mean and standard deviation
// of the logarithm of the rate.
func (h *byHand) normalised() (mean, sd float64) {
	top := h.rates[0].weight
	for i := range h.rates {
		top = math.Max(top, h.rates[i].weight)
	}
	var sum, square float64
	for i := range h.rates {
		r := &h.rates[i]
		r.weight = math.Exp(r.weight - top)
		sum += r.weight
	}
	for i := range h.rates {
		r := &h.rates[i]
		r.weight /= sum
		l := math.Log(r.rate)
		mean += r.weight * l
		square += r.weight * l * l
	}
	return mean, math.Sqrt(math.Max(square-mean*mean, 0))
}

// gap is the gap now with its standard uncertainty, such that gap ± 1.645 u is
// what holds it with 90 %: the law is not a normal one, since a rate that is
// hardly known may as well be several times as large.
func (h *byHand) gap() (mm, u float64) {
	lo, hi := h.quantile(0.05), h.quantile(0.95)
	return (lo + hi) / 2, (hi - lo) / 2 / GuardFactor
}

func (h *byHand) quantile(p float64) float64 {
	var g, s [handRates]float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range h.rates {
		mean, variance := h.rates[i].after(h.toNow, h.way)
		g[i], s[i] = mean, math.Sqrt(variance+h.common*h.common)
		if h.rates[i].weight > 1e-9 {
			lo, hi = math.Min(lo, g[i]-6*s[i]), math.Max(hi, g[i]+6*s[i])
		}
	}
	for range 60 {
		mid := (lo + hi) / 2
		var below float64
		for i := range h.rates {
			below += h.rates[i].weight * normalCDF((mid-g[i])/s[i])
		}
		if below < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// law is when the gap reaches a limit, in work from now.
func (h *byHand) law(limitMM float64) (law crossingLaw, rate, u float64) {
	law = crossingLaw{limitMM: limitMM, way: h.way}
	var gap, square float64
	for i := range h.rates {
		r := &h.rates[i]
		if r.weight < 1e-6 {
			continue
		}
		g, gg := r.after(h.toNow, h.way)
		law.parts = append(law.parts, part{belief: belief{g: g, gg: gg + h.common*h.common, m: r.rate}, weight: r.weight,
			kappa: handKappa * handKappa * h.way, wander: handWander})
		gap += r.weight * g
		rate += r.weight * r.rate
		square += r.weight * r.rate * r.rate
	}
	law.tabulate(math.Max(1, math.Min((limitMM-gap)/math.Max(rate, h.way/1e6), never)))
	return law, rate, math.Sqrt(math.Max(square-rate*rate, 0))
}

// eventsOf are a ledger's entries as they bear on the gap. workAt is the work at
// a time.
func eventsOf(entries []Entry, s *Settings, workAt func(int64) float64) (events []handEvent) {
	step, stepped := s.Adjuster.Step()
	for _, e := range Standing(entries) {
		ev := handEvent{work: workAt(e.AtNS)}
		switch {
		case e.Kind == Reading:
			ev.mm = e.GapMM
			ev.own, ev.all = e.ownAndShared()
		case e.Kind == Adjustment && stepped:
			ev.kind, ev.mm = handStepped, float64(e.Steps)*step.MM
		case e.Kind == Adjustment:
			ev.kind = handLost
		case e.Kind == LiningFitted:
			events = append(events, handEvent{work: ev.work, kind: handLost})
			if !Has(e.GapMM) || !Has(e.GapUMM) {
				continue
			}
			ev.mm, ev.own = e.GapMM, e.GapUMM
		default:
			continue
		}
		events = append(events, ev)
	}
	slices.SortStableFunc(events, func(a, b handEvent) int { return cmp.Compare(a.work, b.work) })
	return events
}

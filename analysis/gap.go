package analysis

import "math"

// gapOf is the released level less the set level around it, with the
// uncertainties of all levels combined (JCGM 100:2008, 5.1.2).
//
// The set level is interpolated half-way between the one before and the one
// after: a brake doesn't sit the same way each time, and neither seat is the
// cycle's own more than the other. By how much a probe that drifts goes on from
// the middle of the two to the middle of the released plateau is taken off: as
// fast as it drifts over many cycles, and where the two set levels lie so far
// apart in time that their difference tells more of drift than of seats, as
// fast as they say. A brake with but one of the two set levels has its seats'
// scatter in u.
func gapOf(before, free, after level, drift *drift, seat *seat) (gapMM, uMM float64) {
	perS := drift.perS
	if before.N >= minPlateau && after.N >= minPlateau {
		between := float64(after.MidNS-before.MidNS) * 1e-9
		more := after.MM - before.MM - perS*between
		may := driftMMPerS * between
		perS += more / between * may * may / (may*may + seat.variance + before.U*before.U + after.U*after.U)
	}
	lead := func(l level) float64 { return perS * float64(free.MidNS-l.MidNS) * 1e-9 }
	switch {
	case before.N < minPlateau:
		return free.MM - after.MM - lead(after), combined(free.U, after.U, seat.half())
	case after.N < minPlateau:
		return free.MM - before.MM - lead(before), combined(free.U, before.U, seat.half())
	}
	return free.MM - (before.MM+after.MM)/2 - (lead(before)+lead(after))/2, combined(free.U, before.U/2, after.U/2)
}

// driftMMPerS is what a probe's drift may differ by from its mean over many
// cycles: a standard deviation of 0.1 mm/h.
const driftMMPerS = 0.1 / 3600

// combined is the combined standard uncertainty of independent contributions,
// each already times its sensitivity coefficient (JCGM 100:2008, 5.1.2,
// equation 10).
func combined(contributions ...float64) float64 {
	var sum float64
	for _, u := range contributions {
		sum += u * u
	}
	return math.Sqrt(sum)
}

// seat is how much the set level differs from one cycle to the next.
type seat struct {
	variance float64 // of the difference, mm²
	n        float64
}

func (s *seat) learn(differenceMM float64) {
	differenceMM = math.Min(math.Abs(differenceMM), s.farthest())
	s.n = math.Min(s.n+1, 100)
	s.variance += (differenceMM*differenceMM - s.variance) / s.n
}

// farthest is a difference between two seats that can't be told from a moved
// probe.
func (s *seat) farthest() float64 {
	if s.n < 20 {
		return math.Max(movedMM, 8*math.Sqrt(s.variance))
	}
	return math.Max(nearMM, 8*math.Sqrt(s.variance))
}

const (
	movedMM = 0.2  // a difference between two levels that no seating explains, before a brake's own is known …
	nearMM  = 0.03 // … and the least that is taken for a moved probe when it is
)

// half is the standard deviation of the mean of two seats when one is known.
func (s *seat) half() float64 { return math.Sqrt(s.variance) / 2 }

// drift is how fast the probe's zero moves: the slope of the released levels
// over the last hundred or so cycles, fitted by least squares that forget.
type drift struct {
	perS           float64 // mm/s; 0 while it isn't known
	w, t, x        float64 // sums of weight, time before the latest (s) and level …
	tt, tx         float64 // … and of their products
	baseMM, lastMM float64
	lastNS         int64
}

const (
	driftKeep  = 0.99   // weight left after each cycle
	driftKnown = 20     // weight from which it is used
	driftPause = 3600e9 // after so long a pause it is learned anew
)

// learn takes the released level of a cycle.
func (d *drift) learn(atNS int64, mm float64) {
	if d.w == 0 || atNS-d.lastNS > driftPause || atNS < d.lastNS || // the clock was set back
		math.Abs(mm-d.lastMM) > movedMM {
		*d = drift{w: 1, baseMM: mm, lastMM: mm, lastNS: atNS}
		return
	}
	dt := float64(atNS-d.lastNS) * 1e-9
	d.lastNS, d.lastMM = atNS, mm
	d.tt += dt*dt*d.w - 2*dt*d.t
	d.tx -= dt * d.x
	d.t -= dt * d.w
	d.w, d.t, d.x, d.tt, d.tx = driftKeep*d.w+1, driftKeep*d.t, driftKeep*d.x+(mm-d.baseMM), driftKeep*d.tt, driftKeep*d.tx
	if det := d.w*d.tt - d.t*d.t; d.w >= driftKnown && det > 0 {
		d.perS = (d.w*d.tx - d.t*d.x) / det
	}
}

package analysis

import "math"

// motion finds cycles on the travel alone, where there is no drive signal: the
// brake has released when the travel leaves the set level by a good part of
// the smallest gap, and sets when it comes back.
type motion struct {
	out  int // readings in a row beyond the threshold
	back int // readings in a row back again
	low  int
	last [2]float64 // the latest readings, while released or before the set level is known
	seen int        // readings before the set level is known
}

// middle is the median of a reading and the two before it: one that is far off
// moves nothing.
func (m *motion) middle(mm float64) float64 {
	a, b := m.last[0], m.last[1]
	m.last[0], m.last[1] = b, mm
	return max(min(a, b), min(max(a, b), mm))
}

// surelyFreeNS after it has left the set level every brake is free, slow thrusters
// too.
const surelyFreeNS = 1e9

// moved takes a travel reading of a brake without drive signal.
func (b *Brake) moved(atNS int64, mm float64, out *Out) {
	threshold := 0.4 * b.set.Limits.MinMM
	m := &b.motion
	if b.ref.n == 0 {
		mid := m.middle(mm)
		if m.seen++; m.seen == len(m.last)+1 {
			m.seen = 0
			b.ref.track(atNS, mid, atNS)
		}
		return
	}
	rise := mm - b.ref.mm
	if b.phase != running {
		switch {
		case rise > threshold:
			m.out++
			if m.out >= 2 {
				b.finish(b.leftLevel(b.ref.mm).LoNS, out)
				b.open(b.leftLevel(b.ref.mm), out)
				m.out, m.back, b.freeMM = 0, 0, b.ref.mm
				m.last = [2]float64{b.ref.mm, mm}
			}
		case rise < -threshold:
			// It was released when the recording began.
			m.out = 0
			if m.low++; m.low >= 3 {
				b.ref = reference{}
				b.ref.track(atNS, mm, atNS)
				b.fromNS, m.low = atNS, 0
			}
		default:
			m.out, m.low = 0, 0
			if b.phase == resting || atNS-b.off.HiNS > 500e6 {
				b.ref.track(atNS, mm, atNS)
			}
		}
		return
	}
	switch mid := m.middle(mm); {
	case mid > b.freeMM+threshold && atNS-b.on.HiNS > surelyFreeNS:
		// No brake gets freer than free: what was taken for the released level is
		// the set one, and what was taken for the set one never was.
		b.phase = resting
		b.ref = reference{mm: b.freeMM, n: 1}
		m.out = 1
		return
	case atNS-b.on.HiNS > 150e6 && mid > b.freeMM-threshold/2:
		b.freeMM += 0.1 * (mid - b.freeMM)
	case mid > b.freeMM:
		b.freeMM = mid
	}
	if mm < b.ref.mm+0.5*(b.freeMM-b.ref.mm) {
		m.back++
	} else {
		m.back = 0
	}
	if m.back >= 2 {
		m.back = 0
		b.freed, b.closed, b.told = true, true, true
		e := b.leftLevel(b.freeLevel(out))
		b.phase, b.off = setting, edge{LoNS: e.LoNS, HiNS: e.HiNS}
		b.above, b.below, b.raised = 0, 0, false
		b.wakeNS = min(b.wakeNS, b.deadlineNS())
	}
}

// freeLevel is the level at which the travel lay in the latter half of the run. It
// rests on more than the level tracked, which the fall has begun to draw down.
func (b *Brake) freeLevel(out *Out) float64 {
	b.meter.scratch = &out.scratch
	lo, hi := b.trace.span(b.on.HiNS, b.nowNS)
	mm, _ := b.meter.guess(&b.trace, lo+(hi-lo)/2, hi)
	b.meter.scratch = nil
	return mm
}

// leftLevel looks back for when the travel last lay at a level, and brackets
// its leaving.
func (b *Brake) leftLevel(mm float64) edge {
	sd := b.meter.scale(math.Sqrt(max(b.meter.set.cov[0], b.meter.free.cov[0]+b.meter.ripple.power)))
	limit := max(settleSDs*sd, 0.02*b.set.Limits.MinMM)
	t := &b.trace
	last := t.end() - 1
	for i := last; i > t.head; i-- {
		if d := t.mm(i-1) - mm; d < limit && d > -limit {
			return edge{On: true, LoNS: t.at(i - 1), HiNS: t.at(i)}
		}
	}
	return edge{On: true, LoNS: t.at(last), HiNS: t.at(last)}
}

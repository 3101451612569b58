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

	falling    bool  // it comes back, and isn't near the set level yet
	openedNS   int64 // when the run was seen to have begun
	unsteadyNS int64 // when the travel was last seen off the released level
}

// middle is the median of a reading and the two before it: one that is far off
// moves nothing.
func (m *motion) middle(mm float64) float64 {
	a, b := m.last[0], m.last[1]
	m.last[0], m.last[1] = b, mm
	return max(min(a, b), min(max(a, b), mm))
}

// surelyFreeNS is for how long the travel must have lain at the released level for the
// brake to be free for certain. Slow thrusters take part of a second to free one.
const surelyFreeNS = 1e9

// moved takes a travel reading of a brake without drive signal.
func (b *Brake) moved(atNS int64, mm float64, out *Out) {
	threshold := 0.4 * b.set.Limits.MinMM
	m := &b.motion
	if b.ref.n == 0 {
		a, c := m.last[0], m.last[1]
		mid := m.middle(mm)
		if m.seen++; m.seen > len(m.last) && max(a, c, mm)-min(a, c, mm) < threshold { // else it is on its way
			m.seen = 0
			b.ref.track(atNS, mid, atNS)
		}
		return
	}
	rise := mm - b.ref.mm
	if b.phase != running {
		leaves := threshold
		if m.falling { // it frees again before it has set
			leaves = max(leaves, 0.75*(b.freeMM-b.ref.mm))
		}
		switch {
		case rise > leaves:
			m.out++
			if m.out >= 2 {
				// The level tracked may lag behind one on which the brake has seated
				// anew.
				set, from := b.ref.mm, b.trace.head
				if lo, hi := b.trace.span(max(atNS-1e9, atNS-(atNS-b.off.HiNS)/2), atNS); hi-lo >= 8 {
					from = lo
					set, _ = b.level(from, out)
				}
				on := b.leftLevel(set, from, out)
				b.finish(on.LoNS, out)
				b.open(on, out)
				m.out, m.back, b.freeMM = 0, 0, b.ref.mm
				m.last, m.falling = [2]float64{b.ref.mm, mm}, false
				m.openedNS, m.unsteadyNS = atNS, atNS
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
			m.falling = m.falling && rise > threshold
			if b.phase == resting || atNS-b.off.HiNS > 500e6 {
				b.ref.track(atNS, mm, atNS)
			}
		}
		return
	}
	mid := m.middle(mm)
	heldNS := atNS - m.unsteadyNS
	if math.Abs(mid-b.freeMM) > threshold {
		m.unsteadyNS = atNS
	}
	switch {
	case mid > b.freeMM+threshold && heldNS > surelyFreeNS:
		// No brake gets freer than free: what was taken for the released level is
		// the set one, and what was taken for the set one never was.
		b.phase = resting
		b.ref = reference{mm: b.freeMM, n: 1}
		m.out = 1
		return
	case atNS-m.openedNS > 150e6 && mid > b.freeMM-threshold/2:
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
		m.back, m.falling = 0, true
		b.freed, b.closed, b.told = true, true, true
		lo, hi := b.trace.span(b.on.HiNS, b.nowNS)
		from := lo + (hi-lo)/2
		// The level tracked has been drawn down by the fall.
		free, _ := b.level(from, out)
		e := b.leftLevel(free, from, out)
		b.phase, b.off = setting, edge{LoNS: e.LoNS, HiNS: e.HiNS}
		b.above, b.below, b.raised = 0, 0, false
		b.wakeNS = min(b.wakeNS, b.deadlineNS())
	}
}

// level is median and scatter of the readings from an index on.
func (b *Brake) level(from int, out *Out) (mm, sd float64) {
	b.meter.scratch = &out.scratch
	mm, sd = b.meter.guess(&b.trace, from, b.trace.end())
	b.meter.scratch = nil
	return mm, sd
}

// leftLevel looks back for when the travel last lay at a level, and brackets
// its leaving. Before the first cycle is measured the level's scatter is that of the
// readings from an index on.
func (b *Brake) leftLevel(mm float64, from int, out *Out) edge {
	sd := math.Sqrt(max(b.meter.set.cov[0], b.meter.free.cov[0]+b.meter.ripple.power))
	if b.meter.set.weight[0] == 0 {
		_, sd = b.level(from, out)
	}
	sd = b.meter.scale(sd)
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

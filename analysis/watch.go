package analysis

import (
	"math"

	"gapward/sensors"
)

// reference is the travel of the set brake, tracked from reading to reading so
// that a cycle can be judged while it happens.
type reference struct {
	mm     float64
	n      int   // readings it rests on
	away   int   // readings in a row far from it …
	awayNS int64 // … and when they began
}

// track folds in a reading taken while the brake was set and at rest, as far as
// the drive has told: what it said last it said at toldNS. A brake that has moved
// since may be answering a drive that is read too seldom to have shown it yet.
func (r *reference) track(atNS int64, mm float64, toldNS int64) {
	const jumpMM, jumpRun = 0.1, 10
	switch d := mm - r.mm; {
	case r.n == 0:
		r.mm, r.n = mm, 1
	case math.Abs(d) > jumpMM:
		if r.away++; r.away == 1 {
			r.awayNS = atNS
		}
		if r.away >= jumpRun && toldNS > r.awayNS { // it has moved and stays there
			r.mm, r.n, r.away = mm, 1, 0
		}
	default:
		r.away = 0
		r.n = min(r.n+1, 50)
		r.mm += d / float64(r.n)
	}
}

// travel takes a good reading of the probe.
func (b *Brake) travel(atNS int64, mm float64, out *Out) {
	b.probed = true
	if n := b.trace.len(); n > 0 {
		b.meter.saw(mm - b.trace.mm(b.trace.end()-1))
		if n >= maxTrace {
			b.shorten(atNS)
		}
	}
	if b.phase == resting {
		b.trace.dropBefore(atNS - watchSetNS)
	}
	b.trace.add(atNS, mm)
	if b.still.step(atNS, mm) {
		b.fromNS = atNS
		b.signalFinding(SignalFault, sensors.Travel, -1, 0, out)
	}

	if !b.driven {
		b.moved(atNS, mm, out)
		return
	}
	switch b.phase {
	case resting:
		switch {
		case b.heldOpen:
			b.watchSet(atNS, mm)
		case b.drive.known && !b.drive.on && !b.drive.pending:
			b.ref.track(atNS, mm, b.driveToldNS(atNS))
		}
	case running:
		b.watchRelease(atNS, mm)
	case setting:
		b.watchSet(atNS, mm)
	}
}

// driveToldNS is up to when the drive is known not to have changed. One that
// tells its changes has told of all that came before now.
func (b *Brake) driveToldNS(nowNS int64) int64 {
	if b.drive.sentOnChange(b.drive.lastNS, nowNS) {
		return nowNS
	}
	return b.drive.lastNS
}

// shorten keeps the trace bounded: a long run loses every second reading of its
// middle.
func (b *Brake) shorten(nowNS int64) {
	b.trace.thin(b.on.HiNS+2e9, nowNS-2e9)
	if b.trace.len() >= maxTrace { // sampled faster than thinning can follow
		b.trace.thin(b.trace.at(b.trace.head), nowNS-1e9)
	}
}

// watchRelease looks whether the brake has become free.
func (b *Brake) watchRelease(atNS int64, mm float64) {
	if b.ref.n == 0 {
		return
	}
	if mm-b.ref.mm >= b.minTravel() {
		b.above++
	} else {
		b.above = 0
	}
	if b.above >= 2 && !b.freed {
		b.freed, b.freedNS = true, atNS
	}
	if b.freed && atNS-b.freedNS > 100e6 {
		if math.IsNaN(b.freeMM) || b.above == 0 {
			b.freeMM = mm
		}
		b.freeMM += 0.1 * (mm - b.freeMM)
	}
}

// watchSet looks whether the brake has set: back near where it was, or as far
// below the released level as it should be (the probe may have been moved).
func (b *Brake) watchSet(atNS int64, mm float64) {
	if b.ref.n == 0 {
		return
	}
	if b.closed && !b.heldOpen { // nothing more to be seen
		if atNS-b.off.HiNS > 500e6 {
			b.ref.track(atNS, mm, b.driveToldNS(atNS))
		}
		return
	}
	near := mm-b.ref.mm < 0.25*b.set.Limits.MinMM
	fallen := b.freed && !math.IsNaN(b.freeMM) && b.freeMM-mm >= math.Max(0.7*b.knownGap(), b.minTravel())
	if near || fallen {
		b.below++
	} else {
		b.below = 0
	}
	if b.below >= 2 {
		b.closed, b.heldOpen = true, false
	}
	if b.closed && atNS-b.off.HiNS > 500e6 {
		b.ref.track(atNS, mm, b.driveToldNS(atNS))
	}
}

func (b *Brake) knownGap() float64 {
	if b.wear.set {
		return b.wear.gap
	}
	return b.set.Limits.MinMM
}

// deadlines raises what happens while it happens, and closes a cycle that has
// been watched long enough.
func (b *Brake) deadlines(out *Out) {
	switch b.phase {
	case running:
		if b.undecided() {
			b.judgeRelease(out)
		}
	case setting:
		if b.undecided() {
			b.judgeSet(out)
		}
		if b.nowNS-b.off.HiNS >= watchSetNS {
			b.finish(b.nowNS, out)
		}
	}
}

// undecided reports whether every sample may decide on the movement under way. Once it
// has been told that all is well, only a switch may still object.
func (b *Brake) undecided() bool {
	return b.driven && (!b.told || b.raised || b.nowNS >= b.dueNS && b.health[sensors.Released].present)
}

// deadlineNS is when deadlines has to be called next though no sample comes. What
// is due already and could not be judged, for the signals are silent, waits for
// them and not for time.
func (b *Brake) deadlineNS() int64 {
	switch due := b.dueNS > b.nowNS; b.phase {
	case running:
		if due && b.driven && !b.raised && !b.freed {
			return b.dueNS
		}
	case setting:
		next := b.off.HiNS + watchSetNS
		if due && b.driven && !b.raised && !b.closed {
			next = min(next, b.dueNS)
		}
		return next
	}
	return never64
}

// judgeRelease finds not-released: the drive has been on for the time allowed
// and the brake is seen not to be free. Silence is no evidence, and a first reading
// that says free waits for the next.
func (b *Brake) judgeRelease(out *Out) {
	limit := b.set.Timing.NotReleasedAfter
	dueNS := b.dueNS
	free := b.freed || !b.travelUsable() && b.switchSays(true, dueNS)
	if free && (!b.told || b.raised) {
		b.told, b.freed, b.raised = true, true, false
		if b.meter.short.standing { // whether it frees all the way is seen at the cycle's end
			return
		}
		b.clear(NotReleased, b.secondsSince(b.on), limit.Seconds(), out)
	}
	if b.nowNS < dueNS || b.raised {
		return
	}
	moved := b.trace.len() > 0 && b.lastMM()-b.ref.mm >= 0.1*b.set.Limits.MinMM
	switch {
	case b.freed && b.travelUsable() && b.switchSays(false, dueNS) && b.travelStays(true):
		b.disagree(out)
	case b.freed:
	case b.probed && b.freeze(b.on.LoNS, out) && !b.switchSays(false, dueNS):
	case b.travelUsable() && b.travelHeard(dueNS) && !moved && b.switchSays(true, dueNS):
		b.disagree(out)
	case b.travelUsable() && b.travelHeard(dueNS) && b.above == 0 || !b.travelUsable() && b.switchSays(false, dueNS):
		b.raised = true
		b.flags |= FlagNotReleased
		b.raise(NotReleased, b.secondsSince(b.on), limit.Seconds(), out)
	}
}

// judgeSet finds not-set, likewise.
func (b *Brake) judgeSet(out *Out) {
	limit := b.set.Timing.NotSetAfter
	dueNS := b.dueNS
	set := b.closed || !b.travelUsable() && b.switchSays(false, dueNS)
	if set && (!b.told || b.raised) {
		b.told, b.closed, b.raised = true, true, false
		b.clear(NotSet, b.secondsSince(b.off), limit.Seconds(), out)
	}
	if b.nowNS < dueNS || b.raised {
		return
	}
	moved := Has(b.freeMM) && b.trace.len() > 0 && b.freeMM-b.lastMM() >= 0.1*b.set.Limits.MinMM
	switch {
	case b.closed && b.travelUsable() && b.switchSays(true, dueNS) && b.travelStays(false):
		b.disagree(out)
	case b.closed:
	case b.probed && b.freeze(b.off.LoNS, out) && !b.switchSays(true, dueNS):
	case b.travelUsable() && b.travelHeard(dueNS) && !moved && b.switchSays(false, dueNS):
		b.disagree(out)
	case b.travelUsable() && b.travelHeard(dueNS) && b.below == 0 || !b.travelUsable() && b.switchSays(true, dueNS):
		b.raised = true
		b.flags |= FlagNotSet
		b.heldOpen = b.travelUsable()
		b.raise(NotSet, b.secondsSince(b.off), limit.Seconds(), out)
	}
}

// disagree finds that switch and travel contradict each other: one of the two
// is wrong, and which one only a look can tell.
func (b *Brake) disagree(out *Out) {
	if b.flags&FlagDisagree != 0 {
		return
	}
	b.flags |= FlagDisagree
	out.Findings = append(out.Findings, Finding{AtNS: b.nowNS, Condition: SignalsDisagree, Excess: 1,
		Value: b.lastMM() - b.ref.mm, U: NoValue(), Limit: NoValue(), Unit: "mm"})
}

func (b *Brake) secondsSince(e edge) float64 { return float64(b.nowNS-e.atNS()) * 1e-9 }

func (b *Brake) lastMM() float64 {
	if b.trace.len() == 0 {
		return NoValue()
	}
	return b.trace.mm(b.trace.end() - 1)
}

// travelUsable reports whether the probe can tell set from released.
func (b *Brake) travelUsable() bool {
	h := &b.health[sensors.Travel]
	return b.ref.n > 0 && h.present && !h.stale && !h.fault && !b.still.frozen
}

// travelHeard reports whether the probe has spoken since sinceNS. One that
// reports changes has by not reporting any.
func (b *Brake) travelHeard(sinceNS int64) bool {
	return b.set.Travel.ByException || b.health[sensors.Travel].lastGoodNS >= sinceNS
}

// switchSays reports whether the release switch says so, from sinceNS on or
// later.
func (b *Brake) switchSays(released bool, sinceNS int64) bool {
	h := &b.health[sensors.Released]
	if !h.present || h.stale || h.fault || !b.switchr.known || b.switchr.pending || b.switchr.on != released {
		return false
	}
	return released == (b.phase == running) || b.switchr.changes || h.lastGoodNS >= sinceNS
}

// travelStays reports whether the two latest readings of the travel, both from
// after the switch took the value that it has, show the brake released, or set, and
// the switch has been read meanwhile. Both may have moved, and the change of the
// drive that moved them may not be seen yet.
func (b *Brake) travelStays(released bool) bool {
	if b.set.Travel.ByException { // silent as long as it stays
		return true
	}
	t, least := &b.trace, b.minTravel()
	if released && Has(b.freeMM) {
		least = max(least, 0.9*(b.freeMM-b.ref.mm))
	}
	if t.len() < 2 || !b.switchr.changes && b.switchr.lastNS < t.at(t.end()-2) {
		return false
	}
	for i := t.end() - 2; i < t.end(); i++ {
		if t.at(i) <= b.switchr.cand.HiNS || t.mm(i)-b.ref.mm >= least != released {
			return false
		}
	}
	return true
}

func (b *Brake) raise(c Condition, value, limit float64, out *Out) {
	out.Findings = append(out.Findings, Finding{AtNS: b.nowNS, Condition: c, Excess: value - limit + 1e-9,
		Value: value, U: NoValue(), Limit: limit, Unit: "s"})
}

func (b *Brake) clear(c Condition, value, limit float64, out *Out) {
	out.Findings = append(out.Findings, Finding{AtNS: b.nowNS, Condition: c, Excess: -1,
		Value: value, U: NoValue(), Limit: limit, Unit: "s"})
}

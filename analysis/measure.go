package analysis

import "math"

// window is where on the trace one cycle lies.
type window struct {
	on, off edge
	endNS   int64 // the cycle ends: the next drive-on, or as far as was watched
	driven  bool  // the edges are the drive's own, not guessed from the travel
	lost    int   // bad or missing travel readings in the cycle

	restedNS int64 // how long the brake had rested before

	bounce      *bounce // the drive contact's, which the cycle teaches; nil without a drive signal
	drivePollMS float64 // usual time between the drive's readings
}

// expectation is what the brake has shown so far.
type expectation struct {
	gapMM float64 // filtered gap, NaN before the first
	minMM float64 // smallest gap that counts as released
}

// bareCycle is a cycle of which nothing is measured yet.
func bareCycle(w window) Cycle {
	return Cycle{AtNS: w.on.atNS(), OnNS: w.off.atNS() - w.on.atNS(), Kind: Jog,
		GapMM: NoValue(), GapUMM: NoValue(), ReleaseS: NoValue(), ReleaseUS: NoValue(), SetS: NoValue(), SetUS: NoValue(),
		SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}
}

// measure takes gap and times from one cycle on the trace.
func (m *meter) measure(t *trace, w window, want expectation) Cycle {
	c := bareCycle(w)
	if w.lost > 0 {
		c.Flags |= FlagLostSamples
	}

	before := m.opened
	after := m.setAfter(t, w, want.minMM)
	if before.N >= minPlateau && after.N >= minPlateau {
		moved := after.MM - before.MM
		bumped := math.Abs(moved) > m.seat.farthest()
		m.seat.learn(moved)
		if bumped {
			// The probe was moved, by much more than a brake seats differently.
			c.Flags |= FlagBumped
			m.bumpMM = moved
			if m.visited(t, w.off.HiNS, after.From, before.MM) {
				after = level{}
			} else {
				before = level{}
			}
		}
	}
	if before.N < minPlateau && after.N < minPlateau {
		return c
	}
	ref := before
	if before.N < minPlateau {
		ref = after
	}
	c.SetLevelMM = ref.MM

	free, flat := m.freePlateau(t, w, ref, want)
	if !flat {
		return c
	}
	c.ReleasedLevelMM = free.MM
	c.Kind = Full
	if before.N >= minPlateau && m.movedWhileFree(t, w, before, free) {
		c.Flags |= FlagBumped
		before = level{}
		if after.N < minPlateau {
			return c
		}
		ref, c.SetLevelMM = after, after.MM
	}
	rise := free.MM - ref.MM
	if w.driven && (rise < want.minMM || m.shortOf(rise, ref.MM, w, want)) { // it didn't free: that is no gap
		c.Flags |= FlagNotReleased
		return c
	}
	switch {
	case c.Flags&FlagBumped != 0:
		m.before = plateaus{}
	case before.N >= minPlateau && m.movedAtRest(before.MM, free):
		c.Flags |= FlagBumped
	}
	m.drift.learn(free.MidNS, free.MM)
	c.GapMM, c.GapUMM = gapOf(before, free, after, &m.drift, &m.seat)
	switch {
	case before.N < minPlateau:
		c.Flags |= FlagNoBefore
	case after.N < minPlateau:
		c.Flags |= FlagNoAfter
	}
	if before.Spike+free.Spike+after.Spike > 0 {
		c.Flags |= FlagSpikes
	}
	if w.driven {
		m.times(t, w, &c, before, free, after)
	}
	return c
}

// visited reports whether the travel sat at a level between a time and an
// index of the trace.
func (m *meter) visited(t *trace, fromNS int64, to int, mm float64) bool {
	lo, _ := t.span(fromNS, fromNS)
	limit := m.seat.farthest() / 2
	for i, run := lo, 0; i < to; i++ {
		if math.Abs(t.mm(i)-mm) > limit {
			run = 0
			continue
		}
		if run++; run >= minPlateau {
			return true
		}
	}
	return false
}

// minPlateau is how many readings make a plateau.
const minPlateau = 3

// setPlateau is the set plateau measured last: the one after a cycle is the
// next one's before.
type setPlateau struct {
	level
	lastNS        int64 // its last reading
	arrivedNS     int64 // when the brake had come there, 0 where that wasn't seen
	arrivedWithin int64
	wayMM         float64
}

// begin measures the set plateau that ends with the drive-on: what lies before is
// of no use for the cycle. A probe that was moved while the brake rested splits
// it: the part after that counts.
func (m *meter) begin(t *trace, fromNS int64, on edge) { m.opened = m.setBefore(t, fromNS, on) }

func (m *meter) setBefore(t *trace, fromNS int64, on edge) level {
	lo, hi := t.span(fromNS, on.LoNS)
	p := &m.latest
	if hi > lo && p.N > 0 && t.at(hi-1) == p.lastNS {
		l := p.level
		l.From, l.To = lo, hi
		return l
	}
	s := stretch{arrivedNS: p.arrivedNS, wayMM: p.wayMM, arrivedWithin: never64}
	return m.settledPlateau(t, lo, hi, lo, hi, s)
}

// setAfter is the set plateau that begins when the brake has set. It ends
// where the travel leaves it, should the probe be moved while the brake rests.
func (m *meter) setAfter(t *trace, w window, minMM float64) level {
	m.latest = setPlateau{}
	lo, hi := t.span(w.off.HiNS, w.endNS)
	_, early := t.span(w.off.HiNS, min(w.endNS, w.off.HiNS+firstRestNS))
	roughLo := lo + (early-lo)/2
	if early-roughLo < minPlateau {
		return level{}
	}
	var s stretch
	if lo-t.head >= 3 { // how it came there
		m.pick(t, lo-3, lo, 3)
		from := medianInPlace(m.buf)
		to := m.middle(t, roughLo, early)
		if s.wayMM = to - from; s.wayMM < -0.5*minMM { // what a jog does is no example
			s.arrivedNS, s.arrivedWithin = arrival(t, lo, early, from, to)
		}
	}
	l := m.settledPlateau(t, lo, hi, roughLo, early, s)
	m.latest = setPlateau{level: l, arrivedNS: s.arrivedNS, arrivedWithin: s.arrivedWithin, wayMM: s.wayMM}
	if l.N > 0 {
		m.latest.lastNS = t.at(l.To - 1)
	}
	return l
}

// arrival is when the travel among the readings lo to hi had first done nine
// tenths of its way, and between how far apart readings; 0 where it didn't.
func arrival(t *trace, lo, hi int, fromMM, toMM float64) (atNS, within int64) {
	way := toMM - fromMM
	for i := max(lo, t.head+1); i+1 < hi; i++ {
		if (t.mm(i)-fromMM)/way >= 0.9 && (t.mm(i+1)-fromMM)/way >= 0.7 { // the next one confirms it
			within = t.at(i) - t.at(i-1)
			return t.at(i) - within/2, within
		}
	}
	return 0, 0
}

// firstRestNS after drive-off a brake has set and come to rest.
const firstRestNS = 1500e6

// settledPlateau is the plateau among the readings lo to hi whose rough level
// is that of roughLo to roughHi: from where the travel has settled on it to
// where it leaves it.
func (m *meter) settledPlateau(t *trace, lo, hi, roughLo, roughHi int, s stretch) level {
	if roughHi-roughLo < minPlateau {
		return level{}
	}
	s.rough, s.sd = m.guess(t, roughLo, roughHi)
	s.sd = math.Max(s.sd, math.Sqrt(m.set.cov[0])) // a coarse step's median deviation may come out at half the scatter
	start := m.settled(t, lo, roughHi, s.rough, s.sd)
	if start < roughHi {
		hi = m.left(t, start, hi, s.rough, s.sd, 0)
	}
	if start > lo && start < hi { // leave the last of the bounce out
		s.guardNS = t.at(start) + min((t.at(start)-t.at(lo))/2, (t.at(hi-1)-t.at(start))/3)
	}
	if hi-start < minPlateau {
		return level{}
	}
	s.start, s.end = start, hi
	return m.plateau(t, s, &m.set)
}

// freePlateau is the released level. flat is false for a jog: the travel never
// came to rest while the brake was released.
func (m *meter) freePlateau(t *trace, w window, set level, want expectation) (free level, flat bool) {
	on, off := w.on.HiNS, w.off.LoNS
	// The brake stays released for its response delay after drive-off: look
	// on until the fall begins.
	lo, hi := t.span(on, off+1)
	if !w.driven { // the end of the run is where the travel was seen to fall
		hi = max(lo, hi-2)
	}
	_, watch := t.span(on, min(w.off.HiNS+fallenNS, w.endNS))
	if hi-lo < 2 {
		return level{}, false
	}
	roughLo := lo + (hi-lo)/2
	if from := off - 2e9; from > on {
		if late, _ := t.span(from, off+1); hi-late >= minPlateau { // else the probe was silent then
			roughLo = late
		}
	}
	if c := &m.release; c.n >= curveKnown { // a short run may be over soon after it has arrived
		if from, _ := t.span(on+int64(c.at[curveLevels-1]*1e9), off+1); hi-from >= minPlateau {
			roughLo = max(roughLo, from)
		}
	}
	var rough, sd float64
	floor := math.Max(set.SD, math.Sqrt(m.free.cov[0]+m.ripple.power))
	start := lo
	for pass := range 3 {
		if pass > 0 && hi-roughLo < 8 {
			break // too few to say it better
		}
		rough, sd = m.guess(t, roughLo, hi)
		sd = math.Max(sd, floor)
		start = m.settled(t, lo, hi, rough, sd)
		if start >= hi {
			return level{}, false
		}
		if start <= roughLo {
			break
		}
		roughLo = start
	}
	end := m.left(t, start, watch, rough, sd, -1)
	if end > start && !w.driven && m.arrives.turns(t.at(end-1)-on) {
		return level{}, false
	}
	guardNS, end := clearOfRamps(t, lo, start, end, watch, (rough+set.MM)/2)
	if end-start < 2 || t.at(end-1)-t.at(start) < minFreeNS {
		return level{}, false
	}

	rise := rough - set.MM
	if rise < 0 {
		rise = 0
	}
	spread := sd
	half := start + (end-start)/2
	first := m.middle(t, start, half)
	last := m.middle(t, half, end)
	allowed := 4 * floor
	if m.free.weight[0] < noiseKnown || t.at(end-1)-t.at(start) > shortFreeNS {
		allowed += 0.05 * rise
	}
	if spread > allowed || math.Abs(last-first) > allowed {
		return level{}, false
	}
	// Short of the travel that it has otherwise, and given no time: it was
	// cut off on its way.
	expected := want.minMM
	if Has(want.gapMM) {
		expected = 0.75 * want.gapMM
	}
	if off-on < shortOnNS && rise < expected {
		return level{}, false
	}
	s := stretch{start: start, end: end, rough: rough, sd: sd, wayMM: rough - set.MM, guardNS: guardNS,
		motorUntilNS: off, ripple: &m.ripple}
	if w.driven {
		s.motorUntilNS = w.off.atNS()
	}
	if s.wayMM > 0.5*want.minMM {
		s.arrivedNS, s.arrivedWithin = arrival(t, lo, end, set.MM, rough)
	}
	if !w.driven && t.at(end-1)-t.at(start) > shortFreeNS {
		m.arrives.learn(t.at(start) - on)
	}
	free = m.plateau(t, s, &m.free)
	return free, free.N > 0
}

// arrives learns how long after it left the set level a brake without drive
// signal has come to rest at the released one. A run may be over just before:
// where the travel turns it lies still for as long as a short plateau, and with the
// drive unknown only its usual time tells that it hasn't arrived.
type arrives struct{ s, n float64 }

const (
	arrivesKnown  = 10   // runs
	arrivesMemory = 100  // … and over which it forgets: the gap grows
	turningNS     = 60e6 // for so long the travel may lie still where it turns
)

func (a *arrives) learn(afterNS int64) {
	a.n = math.Min(a.n+1, arrivesMemory)
	a.s += (float64(afterNS)*1e-9 - a.s) / a.n
}

// turns reports whether a run whose travel lay still until so long after it
// left the set level may have been turned round before it had arrived.
func (a *arrives) turns(untilNS int64) bool {
	return a.n >= arrivesKnown && float64(untilNS-turningNS)*1e-9 < a.s
}

// movedWhileFree reports whether the probe was moved while the brake was
// released: the travel arrived at one level and then sat on another. The set
// level before belongs to the first, and is of no use for the second.
func (m *meter) movedWhileFree(t *trace, w window, before, free level) bool {
	lo, _ := t.span(w.on.HiNS, w.off.LoNS)
	middle := (before.MM + free.MM) / 2
	i := lo
	for i < free.From && !(t.mm(i) > middle && t.mm(i+1) > middle) {
		i++
	}
	i, _ = t.span(t.at(i)+firstRestNS/3, free.MidNS)
	to := free.From - 2 // the last two may be on their way
	if to-i < 2*minPlateau || t.at(to)-t.at(i) < firstRestNS/3 {
		return false
	}
	return math.Abs(m.middle(t, i, to)-free.MM) > m.seat.farthest()
}

// clearOfRamps draws the ends of a released plateau in from where the travel
// was seen to leave its level: the last of the bounce and the first of the fall
// lie within the scatter and would pull the level down. How far is taken from
// how long the travel took between the middle of its way and there. At the
// beginning that is but a guard for as long as the bounce isn't known better.
func clearOfRamps(t *trace, lo, start, end, watch int, middle float64) (guardNS int64, to int) {
	if end-start < 2 {
		return 0, end
	}
	most := (t.at(end-1) - t.at(start)) / 3
	to = end
	for i := start - 1; i >= lo; i-- {
		if t.mm(i) < middle {
			guardNS = t.at(start) + min((t.at(start)-t.at(i))/2, most)
			break
		}
	}
	for i := end; i < watch; i++ {
		if t.mm(i) < middle {
			guard := t.at(end-1) - min((t.at(i)-t.at(end-1))/2, most)
			for to > start && t.at(to-1) > guard {
				to--
			}
			break
		}
	}
	return guardNS, to
}

const (
	fallenNS    = 800e6 // this long after drive-off a brake that works is well on its way
	shortFreeNS = 200e6 // what lies so still for longer, for a reading's noise or more, is no turning point
	minFreeNS   = 30e6  // a released plateau shorter than this can't be told from a turning point
	shortOnNS   = 600e6 // a drive-on shorter than this may be over before the brake is free
)

// times adds release and set time. VDI 2241 takes the disengagement time to
// the moment when the torque has fallen to a tenth; on the travel signal that
// is taken as nine tenths of the travel.
func (m *meter) times(t *trace, w window, c *Cycle, before, free, after level) {
	if rise := free.MM - before.MM; before.N >= minPlateau && rise > 0 {
		lo, hi := t.span(w.on.LoNS, w.off.HiNS+1)
		c.ReleaseS, c.ReleaseUS = m.timeOf(&m.release, t, max(lo-1, t.head), hi, w, w.on, before.MM, free)
	}
	if rise := free.MM - after.MM; after.N >= minPlateau && rise > 0 {
		lo, hi := t.span(w.off.LoNS, w.endNS)
		c.SetS, c.SetUS = m.timeOf(&m.setting, t, max(lo-1, free.From), hi, w, w.off, free.MM, after)
	}
}

// timeOf is the time from an edge of the drive to nine tenths of the way, with
// its standard uncertainty.
func (m *meter) timeOf(c *curve, t *trace, lo, hi int, w window, from edge, fromMM float64, to level) (s, uS float64) {
	s, uS, later := c.time(t, lo, hi, from, fromMM, to)
	if !Has(s) {
		return s, uS
	}
	if w.bounce != nil {
		w.bounce.learn(from, later*1e3, w.drivePollMS)
	}
	s += float64(from.middleNS()-from.atNS()) * 1e-9
	return math.Max(0, s), combined(from.uS(), uS, from.BounceUMS*0.5e-3)
}

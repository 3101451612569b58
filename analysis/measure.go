package analysis

import "math"

// window is where on the trace one cycle lies.
type window struct {
	on, off edge
	fromNS  int64 // the set plateau before starts no earlier than this
	endNS   int64 // the cycle ends: the next drive-on, or as far as was watched
	driven  bool  // the edges are the drive's own, not guessed from the travel
	lost    int   // bad or missing travel readings in the cycle
}

// expectation is what the brake has shown so far.
type expectation struct {
	gapMM float64 // filtered gap, NaN before the first
	minMM float64 // smallest gap that counts as released
}

// measure takes gap and times from one cycle on the trace.
//
// The gap is the released level less the level of the set brake at that
// moment, interpolated between the plateaus before and after (A-B-A): a probe
// that drifts in proportion to time cancels out.
func (m *meter) measure(t *trace, w window, want expectation) Cycle {
	c := Cycle{AtNS: w.on.atNS(), OnNS: w.off.atNS() - w.on.atNS(), Kind: Jog,
		GapMM: NoValue(), GapUMM: NoValue(), ReleaseS: NoValue(), ReleaseUS: NoValue(), SetS: NoValue(), SetUS: NoValue(),
		SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}
	if w.lost > 0 {
		c.Flags |= FlagLostSamples
	}

	before := m.setBefore(t, w)
	after := m.setAfter(t, w)
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
	c.GapMM, c.GapUMM = gapABA(before, free, after)
	switch {
	case before.N < minPlateau:
		c.Flags |= FlagNoBefore
	case after.N < minPlateau:
		c.Flags |= FlagNoAfter
	}
	if before.Spike+free.Spike+after.Spike > 0 {
		c.Flags |= FlagSpikes
	}
	rise := free.MM - ref.MM
	if w.driven && rise > 0.5*want.minMM {
		m.times(t, w, &c, before, free, after)
	}
	return c
}

// minPlateau is how many readings make a plateau.
const minPlateau = 3

func (m *meter) setBefore(t *trace, w window) level {
	lo, hi := t.span(w.fromNS, w.on.LoNS+1)
	return m.settledPlateau(t, lo, hi, lo, &m.set)
}

func (m *meter) setAfter(t *trace, w window) level {
	lo, hi := t.span(w.off.HiNS, w.endNS)
	return m.settledPlateau(t, lo, hi, lo+(hi-lo)/2, &m.set)
}

// settledPlateau is the settled end of the readings lo to hi, whose rough
// level is taken from roughLo on.
func (m *meter) settledPlateau(t *trace, lo, hi, roughLo int, learned *noise) level {
	if hi-lo < minPlateau {
		return level{N: 0}
	}
	var rough, sd float64
	rough, sd, m.buf = medianMAD(t.mm[roughLo:hi], m.buf)
	start := m.settled(t, lo, hi, rough, sd)
	if start > lo { // leave the last of the bounce out
		start = min(start+1, hi)
	}
	if hi-start < minPlateau {
		return level{N: 0}
	}
	return m.plateau(t, start, hi, learned)
}

// freePlateau is the released level. flat is false for a jog: the travel never
// came to rest while the brake was released.
func (m *meter) freePlateau(t *trace, w window, set level, want expectation) (free level, flat bool) {
	on, off := w.on.HiNS, w.off.LoNS
	// The brake stays released for its response delay after drive-off: look
	// on until the fall begins.
	lo, hi := t.span(on, off+1)
	_, watch := t.span(on, min(w.off.HiNS+250e6, w.endNS))
	if hi-lo < 2 {
		return level{}, false
	}
	roughLo := lo + (hi-lo)/2
	if from := off - 2e9; from > on {
		roughLo, _ = t.span(from, off+1)
	}
	var rough, sd float64
	start := lo
	for range 3 {
		rough, sd, m.buf = medianMAD(t.mm[max(roughLo, start):hi], m.buf)
		start = m.settled(t, lo, hi, rough, math.Max(sd, math.Sqrt(m.free.cov[0])))
		if start >= hi {
			return level{}, false
		}
		roughLo = start
	}
	if start > lo {
		start = min(start+1, hi-1)
	}
	end := m.left(t, start, watch, rough, math.Max(sd, math.Sqrt(m.free.cov[0])), -1)
	if end < watch {
		end-- // the fall begins smoothly: the reading before is already touched
	}
	if end-start < 2 || t.atNS[end-1]-t.atNS[start] < minFreeNS {
		return level{}, false
	}

	rise := rough - set.MM
	if rise < 0 {
		rise = 0
	}
	spread := sd
	half := start + (end-start)/2
	first, last := mean(t.mm[start:half]), mean(t.mm[half:end])
	allowed := 0.05*rise + 4*math.Max(set.SD, math.Sqrt(m.free.cov[0]))
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
	return m.plateau(t, start, end, &m.free), true
}

const (
	minFreeNS = 30e6  // a released plateau shorter than this can't be told from a turning point
	shortOnNS = 600e6 // a drive-on shorter than this may be over before the brake is free
)

func mean(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// gapABA is the released level less the set level interpolated to its moment,
// with the uncertainties of all three levels combined (JCGM 100:2008, 5.1.2).
func gapABA(before, free, after level) (gapMM, uMM float64) {
	switch {
	case before.N < minPlateau:
		return free.MM - after.MM, math.Hypot(free.U, after.U)
	case after.N < minPlateau:
		return free.MM - before.MM, math.Hypot(free.U, before.U)
	}
	part := float64(free.MidNS-before.MidNS) / float64(after.MidNS-before.MidNS)
	set := before.MM + part*(after.MM-before.MM)
	return free.MM - set, math.Sqrt(free.U*free.U + (1-part)*(1-part)*before.U*before.U + part*part*after.U*after.U)
}

// times adds release and set time. VDI 2241 takes the disengagement time to
// the moment when the torque has fallen to a tenth; on the travel signal that
// is taken as nine tenths of the travel.
func (m *meter) times(t *trace, w window, c *Cycle, before, free, after level) {
	set := before
	if before.N < minPlateau {
		set = after
	}
	if rise := free.MM - set.MM; before.N >= minPlateau && rise > 0 {
		lo, hi := t.span(w.on.LoNS, w.off.HiNS+1)
		c.ReleaseS, c.ReleaseUS = timeTo(t, max(lo-1, before.From), hi, w.on, set.MM+0.9*rise, rise, 1, free.SD)
	}
	if after.N >= minPlateau {
		if rise := free.MM - after.MM; rise > 0 {
			lo, hi := t.span(w.off.LoNS, w.endNS)
			c.SetS, c.SetUS = timeTo(t, max(lo-1, free.From), hi, w.off, after.MM+0.1*rise, rise, -1, free.SD)
		}
	}
}

// timeTo is the time from an edge to a crossing of the travel, and its
// standard uncertainty: uniform over the edge's bracket, and over the part of
// the crossing's bracket that a straight line can't resolve.
func timeTo(t *trace, lo, hi int, from edge, thr, rise, dir, sd float64) (s, uS float64) {
	atNS, bracketNS, step, ok := crossing(t, lo, hi, thr, rise, dir)
	if !ok {
		return NoValue(), NoValue()
	}
	s = (atNS - float64(from.atNS())) * 1e-9
	uCrossing := step * bracketNS * 1e-9 / math.Sqrt(12)
	if step > 0 {
		uCrossing = math.Hypot(uCrossing, math.Min(bracketNS, sd/(step*rise)*bracketNS)*1e-9)
	}
	return math.Max(s, 0), math.Hypot(from.uS(), uCrossing)
}

package analysis

import (
	"math"

	"gapward/sensors"
)

// This file tells apart what can be wrong with the probe, or with the brake
// that it looks at: a probe that is frozen, one that was moved, and a brake
// that frees only by a part of its travel. None of them is a gap.

// still watches for readings that don't move at all. Real readings flicker by
// their noise; how often two neighbours are alike is learned, and with it how
// long a run of equal ones may be.
type still struct {
	valueMM float64
	run     int     // equal readings in a row
	sinceNS int64   // when the run began
	alike   float64 // share of readings that equal the one before
	n       float64
	frozen  bool // the drive cycles and the readings stand still
}

const (
	stillMemory = 2000 // readings over which the share of equal ones is forgotten
	stillKnown  = 200  // readings before it is used
	stillOdds   = 1e-9 // a run less likely than this is no chance
)

// step takes a reading and reports whether the probe moves again after it had
// been told to be frozen.
func (s *still) step(atNS int64, mm float64) (thawed bool) {
	same := 0.0
	if mm == s.valueMM && s.n > 0 {
		same = 1
		s.run++
	} else {
		thawed = s.frozen
		s.valueMM, s.run, s.sinceNS, s.frozen = mm, 0, atNS, false
	}
	switch {
	case s.run >= 50: // a frozen probe is no example of how alike readings are
	case s.n < stillMemory:
		s.n++
		s.alike += (same - s.alike) / s.n
	default:
		s.alike += (same - s.alike) * (1.0 / stillMemory)
	}
	return thawed
}

// suspect reports whether the run of equal readings can't be chance and has
// lasted since before fromNS.
func (s *still) suspect(fromNS int64) bool {
	return s.n >= stillKnown && s.sinceNS < fromNS && float64(s.run)*math.Log(math.Max(s.alike, 1e-3)) < math.Log(stillOdds)
}

// freeze raises a frozen probe, once the drive has called for a movement that
// didn't come. It reports whether the probe is frozen.
func (b *Brake) freeze(edgeNS int64, out *Out) bool {
	if b.still.frozen {
		b.flags |= FlagFrozen
		return true
	}
	if b.set.Travel.ByException || !b.still.suspect(edgeNS) {
		return false
	}
	b.still.frozen = true
	b.flags |= FlagFrozen
	b.signalFinding(SignalFault, sensors.Travel, 1, float64(b.nowNS-b.still.sinceNS)*1e-9, out)
	return true
}

// plateaus is what is known of the plateaus of the latest full cycle, for telling
// a moved probe from a changed gap.
type plateaus struct {
	setMM, freeMM float64
	atNS          int64 // of the released one; 0 while none is known
}

// quickDriftMMPerS is faster than any probe's zero drifts.
const quickDriftMMPerS = 0.5 / 3600

// movedAtRest reports whether both plateaus have moved together since the
// cycle before, by more than a brake's seats differ and a probe drifts.
func (m *meter) movedAtRest(setMM float64, free level) bool {
	last := m.before
	m.before = plateaus{setMM: setMM, freeMM: free.MM, atNS: free.MidNS}
	if last.atNS == 0 || free.MidNS < last.atNS { // the clock was set back: nobody knows how long it was
		return false
	}
	bySet, byFree := setMM-last.setMM, free.MM-last.freeMM
	drifts := quickDriftMMPerS * float64(free.MidNS-last.atNS) * 1e-9
	m.bumpMM = bySet
	return math.Abs(bySet) > m.seat.farthest()+drifts && math.Abs(byFree-bySet) < 0.2*math.Abs(bySet)+m.seat.farthest()/2
}

// tellProbe raises a moved probe, and lets go of it after so many full cycles
// in which it stayed where it is; and a brake that frees only in part.
func (b *Brake) tellProbe(c Cycle, out *Out) {
	const told = 20
	switch {
	case c.Flags&FlagBumped != 0:
		b.bumpAgo = 1
		out.Findings = append(out.Findings, Finding{AtNS: b.nowNS, Condition: SignalFault, Excess: 1,
			Value: b.meter.bumpMM, U: NoValue(), Limit: NoValue(), Unit: "mm", Signal: sensors.Travel.String()})
	case b.bumpAgo > 0 && Has(c.GapMM):
		if b.bumpAgo++; b.bumpAgo > told {
			b.bumpAgo = 0
			b.signalFinding(SignalFault, sensors.Travel, -1, 0, out)
		}
	}
	short := &b.meter.short
	f := Finding{AtNS: b.nowNS, Condition: NotReleased, Excess: -1, U: NoValue(), Unit: "mm",
		Value: c.ReleasedLevelMM - c.SetLevelMM, Limit: shortShare * b.knownGap()}
	switch {
	case short.now && !short.standing:
		short.standing = true
		f.Excess = f.Limit - f.Value
		out.Findings = append(out.Findings, f)
	case short.standing && Has(c.GapMM):
		short.standing = false
		out.Findings = append(out.Findings, f)
	}
}

// shortfall watches for a brake that frees by but a part of its travel.
type shortfall struct {
	now      bool    // in the latest cycle
	standing bool    // told
	run      int     // cycles in a row
	newMM    float64 // a shorter travel that is a new gap, 0 where there is none
}

const (
	shortShare   = 0.9   // of the gap known: less isn't free
	shortMost    = 50    // cycles after which a shorter travel is taken for a new gap
	shortPauseNS = 120e9 // somebody who adjusts a brake takes longer than this
)

// shortOf reports whether a cycle's travel ended short of the gap known, while
// the brake sat where it had sat before. Where it sits elsewhere, or has rested
// for long, somebody may have adjusted it: then the shorter travel is a new gap
// from there on. So it is if it stays.
func (m *meter) shortOf(riseMM, setMM float64, w window, want expectation) bool {
	s := &m.short
	slack := 4 * m.seat.half()
	if !Has(want.gapMM) || riseMM >= shortShare*want.gapMM-slack {
		s.run, s.newMM = 0, 0
		return false
	}
	if s.newMM > 0 && riseMM >= shortShare*s.newMM-slack {
		return false
	}
	if s.run == 0 && (m.before.atNS == 0 || w.restedNS > shortPauseNS || math.Abs(setMM-m.before.setMM) > m.seat.farthest()) || s.run >= shortMost {
		s.run, s.newMM = 0, riseMM
		return false
	}
	s.run++
	s.now = true
	return true
}

package simulator

import "math"

// travelOf works out the brake's moves in the segment that has just begun,
// what the stop wears off and what is true of the cycle.
func (m *model) travelOf(s, prev *segment, draw func(uint64) float64) {
	p := m.p
	s.set = m.setLevel()
	released := p.InitialGapMM + p.GapScatterUM*1e-3*draw(1)
	s.travel = released - s.set
	s.level0 = prev.level(s.startNS, p)
	s.switch0 = prev.closed(s.startNS)
	t := Truth{Brake: m.spec.Index, Cycle: m.cycle, OnNS: s.onNS, OffNS: s.offNS, UnderlyingMM: m.gapMM,
		SetBeforeMM: s.set, ReleasedMM: released, TemperatureC: s.celsius((s.onNS+s.offNS)/2, p.CoolS), RippleHz: s.rippleHz,
		GapMM: math.NaN(), ReleaseS: math.NaN(), SetS: math.NaN()}

	from := s.level0
	if !prev.stuckAfterSet && from != s.set {
		s.push(move{startNS: s.startNS, travelNS: p.SetTravelS * 1e9, from: from, to: s.set})
		from = s.set
	}

	// Release.
	delay, pulls := m.releaseDelayS(s.travel)
	top := s.set + s.travel*m.faults.freesTo
	begin := s.onNS + secondsNS(max(0, delay+p.TimeScatterS*draw(2)))
	release := move{startNS: begin, travelNS: p.ReleaseTravelS * 1e9 * math.Sqrt(s.travel/p.InitialGapMM), from: from, to: top, release: true}
	releases := pulls && top > from && s.travel > 0
	if releases {
		s.push(release)
	}

	// Set.
	setDelay := p.SetDelayS / (1 + 0.2*(s.travel/p.InitialGapMM-1)) // a wide gap holds a little less long
	begin = s.offNS + secondsNS(max(0, setDelay+p.TimeScatterS*draw(3)))
	reached := s.level(begin, p)
	moved := s.travel > 0 && (reached-s.set)/s.travel > 0.5
	releaseDone := max(s.onNS, release.startNS+int64(release.travelNS))
	if prev.stuckAfterSet && !releases && from >= top {
		s.arrivedNS = s.onNS // it was free all the while
	} else if releases && begin > releaseDone && m.faults.freesTo == 1 {
		s.arrivedNS = releaseDone
		t.PlateauS = float64(begin-releaseDone) * 1e-9
	}
	if moved && m.faults.stuck == 0 {
		t.WearUM = m.wearUM(draw(4))
		m.gapMM += t.WearUM * 1e-3
		m.stops++
		m.seatMM = p.SeatScatterUM * 1e-3 * draw(5)
	}
	after := m.setLevel()
	t.SetAfterMM = after
	to := after
	s.stuckAfterSet = m.faults.stuck > 0
	if s.stuckAfterSet {
		to = max(after, min(reached, after+(released-after)*m.faults.stuck))
	}
	set := move{startNS: begin, from: reached, to: to,
		travelNS: p.SetTravelS * 1e9 * math.Sqrt(max(reached-to, 0)/p.InitialGapMM)}
	set.travelNS = max(set.travelNS, 1)
	s.push(set)
	s.restNS = min(s.endNS-1, max(begin, s.offNS)+int64(set.travelNS)+secondsNS(tails*p.BounceDecayS))

	// What a perfect measurement finds.
	if s.arrivedNS != never && !prev.stuckAfterSet {
		t.GapMM = released - (s.set+after)/2 + p.GapUMPerK*1e-3*(t.TemperatureC-referenceC)
		if c := release.reachesNS(s.set+0.9*s.travel, p); c != never {
			t.ReleaseS = float64(c-s.onNS) * 1e-9
		}
	}
	if s.stuckAfterSet {
		t.GapMM = math.NaN()
	} else if moved {
		if c := set.reachesNS(after+0.1*(reached-after), p); c != never {
			t.SetS = float64(c-s.offNS) * 1e-9
		}
	}
	m.switchOf(s, &release, &set, releases)
	s.truth = t
}

// referenceC is the temperature to which gaps are referred, ISO 1.
const referenceC = 20

// releaseDelayS is the time from drive-on until the magnet lifts the brake off
// a gap, and whether it does at all.
func (m *model) releaseDelayS(gapMM float64) (s float64, pulls bool) {
	p := m.p
	if gapMM >= p.PullInGapMM*0.99 {
		return 0, false
	}
	slower := math.Log1p(-max(gapMM, 0)/p.PullInGapMM) / math.Log1p(-p.InitialGapMM/p.PullInGapMM)
	return p.ReleaseDelayS * (1 - p.GapDelayPart + p.GapDelayPart*slower), true
}

// wearUM is the wear of one stop, from a standard normal draw: lognormal, with
// the mean that the running-in and the faults give it.
func (m *model) wearUM(z float64) float64 {
	p := m.p
	mean := p.WearUM * m.faults.wearFactor
	if p.RunInCycles > 0 {
		mean *= 1 + p.RunInFactor*math.Exp(-m.stops/p.RunInCycles)
	}
	variance := math.Log1p(p.WearCV * p.WearCV)
	return mean * math.Exp(math.Sqrt(variance)*z-variance/2)
}

// switchOf works out when the release switch closes and opens.
func (m *model) switchOf(s *segment, release, set *move, releases bool) {
	p := m.p
	closeAt, openAt := s.set+p.SwitchAt*s.travel, s.set+(p.SwitchAt-p.SwitchHysteresis)*s.travel
	closed := s.switch0
	if !closed && releases && release.startNS < set.startNS {
		if c := release.reachesNS(closeAt, p); c < set.startNS {
			s.switchOnNS, closed = c, true
		}
	}
	if closed {
		if c := set.reachesNS(openAt, p); c != never {
			s.switchOffNS = c
		} else if set.to < openAt {
			s.switchOffNS = set.startNS
		}
	}
}

// closed is whether the release switch is closed, contact bounce apart.
func (s *segment) closed(tNS int64) bool {
	if s.switch0 {
		return tNS < s.switchOffNS
	}
	return tNS >= s.switchOnNS && tNS < s.switchOffNS
}

func secondsNS(s float64) int64 { return int64(s * 1e9) }

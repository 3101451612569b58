package simulator

import "math"

// steepness is the product of √(κ/m) and the travel time in the release's
// curve cosh(steepness·τ): how much the pull grows on the way.
const steepness = 2.5

// tails is how many decay times a bounce is followed before it counts as over.
const tails = 8

// move is one travel of the brake from a level to another, mm.
type move struct {
	startNS  int64   // when it begins to move
	travelNS float64 // from there to its arrival
	from, to float64
	release  bool // pulled by the magnet, else thrown by the spring
}

// at is the level at a time, mm.
func (m *move) at(tNS int64, p *Params) float64 {
	dt := float64(tNS - m.startNS)
	switch {
	case dt <= 0:
		return m.from
	case dt < m.travelNS:
		return m.from + (m.to-m.from)*m.progress(dt/m.travelNS, p.Damping)
	}
	since := (dt - m.travelNS) * 1e-9
	if since >= tails*p.BounceDecayS {
		return m.to
	}
	height := p.BouncePart * math.Abs(math.Sin(math.Pi*p.BounceHz*since)) * math.Exp(-since/p.BounceDecayS)
	return m.to - (m.to-m.from)*height
}

// progress is the part of the way done at the part tau of the travel time.
func (m *move) progress(tau, damping float64) float64 {
	switch {
	case damping > 0:
		return math.Expm1(-damping*tau) / math.Expm1(-damping)
	case m.release:
		return (math.Cosh(steepness*tau) - 1) / (math.Cosh(steepness) - 1)
	}
	return tau * tau
}

// when is the part of the travel time at which a part of the way is done, the
// inverse of progress.
func (m *move) when(progress, damping float64) float64 {
	switch {
	case damping > 0:
		return -math.Log1p(progress*math.Expm1(-damping)) / damping
	case m.release:
		return math.Acosh(1+progress*(math.Cosh(steepness)-1)) / steepness
	}
	return math.Sqrt(progress)
}

// reachesNS is the time at which the move crosses a level, or never where it
// doesn't.
func (m *move) reachesNS(level float64, p *Params) int64 {
	way := m.to - m.from
	if way == 0 {
		return never
	}
	done := (level - m.from) / way
	if done < 0 || done > 1 {
		return never
	}
	return m.startNS + int64(m.when(done, p.Damping)*m.travelNS)
}

// never is later than any time of the model.
const never int64 = math.MaxInt64

// segment is a brake from shortly before one drive-on to shortly before the
// next. All of it is fixed when it begins, so that each signal is a function
// of time.
type segment struct {
	startNS, endNS int64
	onNS, offNS    int64 // equal where no drive comes on
	restNS         int64 // from here to endNS the brake is at rest

	level0 float64 // before the first move, mm
	moves  [3]move
	n      int

	set, travel   float64 // set level before, and from there to the released level, mm
	arrivedNS     int64   // when the released level was reached; never where it wasn't
	ripplePhase   float64
	rippleHz      float64
	switch0       bool  // release switch at the start …
	switchOnNS    int64 // … when it closes …
	switchOffNS   int64 // … and opens
	zero          float64
	zeroPerNS     float64 // drift of the probe's zero
	ambientC      float64
	startC        float64 // temperature at startNS, onNS and offNS
	onC, offC     float64
	heatC         float64 // rise that the drive would bring in the long run
	hasCycle      bool
	truth         Truth
	stuckAfterSet bool
}

// push adds a move. One that would have begun later than the new one never
// begins.
func (s *segment) push(m move) {
	for s.n > 0 && s.moves[s.n-1].startNS >= m.startNS {
		s.n--
	}
	s.moves[s.n] = m
	s.n++
}

// level is where the brake is at a time, mm, without what the temperature
// does.
func (s *segment) level(tNS int64, p *Params) float64 {
	for i := s.n - 1; i >= 0; i-- {
		if m := &s.moves[i]; tNS >= m.startNS {
			return m.at(tNS, p)
		}
	}
	return s.level0
}

// celsius is the temperature at a time.
func (s *segment) celsius(tNS int64, coolS float64) float64 {
	part := func(sinceNS int64) float64 { return math.Exp(-float64(sinceNS) * 1e-9 / coolS) }
	switch {
	case tNS < s.onNS || !s.hasCycle:
		return s.ambientC + (s.startC-s.ambientC)*part(max(tNS-s.startNS, 0))
	case tNS < s.offNS:
		left := part(tNS - s.onNS)
		return s.ambientC + (s.onC-s.ambientC)*left + s.heatC*(1-left)
	}
	return s.ambientC + (s.offC-s.ambientC)*part(tNS-s.offNS)
}

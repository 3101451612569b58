package simulator

import (
	"math"

	"gapward/sensors"
)

// thermalGridNS is the grid on which the temperature is worked out for its
// effect on the levels: it moves so slowly that the steps don't show.
const thermalGridNS = 250e6

// travelMM is what the probe shows at a time, mm, before its value is turned
// into raw counts.
func (m *model) travelMM(tNS int64) float64 {
	if tNS >= m.wakeNS {
		m.advance(tNS)
	}
	if m.faults.frozen {
		return m.faults.heldMM
	}
	return m.probeMM(tNS)
}

// probeMM is travelMM of a probe that isn't frozen, within the present
// segment.
func (m *model) probeMM(tNS int64) float64 {
	s, p := &m.seg, m.p
	level := s.level(tNS, p)
	x := p.ProbeZeroMM + level + m.faults.bumpMM + s.zero + s.zeroPerNS*float64(tNS-s.startNS)
	if p.LevelUMPerK != 0 || p.GapUMPerK != 0 {
		if grid := tNS - tNS%thermalGridNS; grid != m.thermalNS {
			m.thermalNS, m.thermalC = grid, s.celsius(max(grid, s.startNS), p.CoolS)
		}
		warmer := (m.thermalC - referenceC) * 1e-3
		x += warmer * p.LevelUMPerK
		if s.travel > 0 {
			x -= warmer * p.GapUMPerK * (1 - (level-s.set)/s.travel)
		}
	}
	if p.RippleUM > 0 && tNS >= s.arrivedNS && tNS < s.offNS {
		x += p.RippleUM * 1e-3 * math.Sin(s.ripplePhase+2*math.Pi*s.rippleHz*float64(tNS-s.onNS)*1e-9)
	}
	if p.NoiseUM > 0 {
		x += p.NoiseUM * 1e-3 * m.normals.from(m.noiseKey.bits(uint64(tNS)))
	}
	return x
}

// drive is what the drive contact shows at a time.
func (m *model) drive(tNS int64) bool {
	if tNS >= m.wakeNS {
		m.advance(tNS)
	}
	s := &m.seg
	if !s.hasCycle {
		return false
	}
	on := tNS >= s.onNS && tNS < s.offNS
	return m.bounce(on, tNS, s.onNS, m.p.DriveBounceMS) != m.bounce(false, tNS, s.offNS, m.p.DriveBounceMS)
}

// released is what the release switch shows at a time.
func (m *model) released(tNS int64) bool {
	if tNS >= m.wakeNS {
		m.advance(tNS)
	}
	s := &m.seg
	return m.bounce(s.closed(tNS), tNS, s.switchOnNS, m.p.SwitchBounceMS) != m.bounce(false, tNS, s.switchOffNS, m.p.SwitchBounceMS)
}

// bounceStepNS is the time for which a bouncing contact stays as it is.
const bounceStepNS = 400e3

// bounce is a contact's state while it may be bouncing after an edge: it
// starts in the new state and flickers at random.
func (m *model) bounce(now bool, tNS, edgeNS int64, forMS float64) bool {
	since := tNS - edgeNS
	if since < bounceStepNS || since >= int64(forMS*1e6) {
		return now
	}
	if m.p.BounceSpread > 0 && since >= int64(forMS*1e6*(1-m.p.BounceSpread*m.bounceKey.unit(^uint64(edgeNS)))) {
		return now
	}
	return now != (m.bounceKey.bits(uint64(edgeNS+since/bounceStepNS))&1 == 1)
}

// temperatureC is what the thermometer shows at a time.
func (m *model) temperatureC(tNS int64) float64 {
	if tNS >= m.wakeNS {
		m.advance(tNS)
	}
	return m.seg.celsius(tNS, m.p.CoolS) + 0.05*m.normals.from(m.noiseKey.bits(^uint64(tNS)))
}

// value is a signal at a time: mm, 0 or 1, °C. broken says that the sensor's
// wire is.
func (m *model) value(s sensors.Signal, tNS int64) (v float64, broken bool) {
	switch s {
	case sensors.Travel:
		v = m.travelMM(tNS)
		return v, m.faults.broken
	case sensors.Drive:
		return truth01(m.drive(tNS)), false
	case sensors.Released:
		return truth01(m.released(tNS)), false
	case sensors.Temperature:
		return m.temperatureC(tNS), false
	case sensors.ReleaseTime:
		return m.madeAt(tNS).releaseS * 1e3, false
	case sensors.SetTime:
		return m.madeAt(tNS).setS * 1e3, false
	}
	return 0, false
}

func truth01(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

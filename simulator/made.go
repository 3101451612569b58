package simulator

import "gapward/sensors"

// made is what a device has made of a brake that times it by itself: when its
// contacts changed last, bounce removed, and the times that it measured last, with
// how often it did.
type made struct {
	driveNS, switchNS int64
	releaseS, setS    float64
	releases, sets    int
}

// madeAt is what the device shows at a time.
func (m *model) madeAt(tNS int64) made {
	if tNS >= m.wakeNS {
		m.advance(tNS)
	}
	return m.madeBy(tNS)
}

// madeBy is madeAt within the present segment. A time is measured once it is
// over.
func (m *model) madeBy(tNS int64) made {
	s, d := &m.seg, m.was
	for _, at := range []int64{s.onNS, s.offNS} {
		if s.hasCycle && at <= tNS {
			d.driveNS = at
		}
	}
	for _, at := range []int64{s.switchOnNS, s.switchOffNS} {
		if at <= tNS {
			d.switchNS = at
		}
	}
	if !s.hasCycle {
		return d
	}
	if r := s.truth.ReleaseS; r > 0 && s.onNS+secondsNS(r) <= tNS { // not of one that is not a number
		d.releaseS = r
		d.releases++
	}
	if r := s.truth.SetS; r > 0 && s.offNS+secondsNS(r) <= tNS {
		d.setS = r
		d.sets++
	}
	return d
}

// changedNS is when a signal changed last, as the device has stamped it, and
// count how often a time was measured.
func (d made) of(s sensors.Signal) (changedNS int64, count int) {
	switch s {
	case sensors.Drive:
		return d.driveNS, 0
	case sensors.Released:
		return d.switchNS, 0
	case sensors.ReleaseTime:
		return 0, d.releases
	case sensors.SetTime:
		return 0, d.sets
	}
	return 0, 0
}

// settled is a contact's state at a time within the present segment, its bounce
// removed.
func (m *model) settled(s sensors.Signal, tNS int64) bool {
	if s == sensors.Drive {
		return m.seg.hasCycle && tNS >= m.seg.onNS && tNS < m.seg.offNS
	}
	return m.seg.closed(tNS)
}

// changeAfter is when a contact changes next after a time, as far as the present
// segment knows.
func (m *model) changeAfter(s sensors.Signal, tNS int64) int64 {
	seg, next := &m.seg, int64(never)
	changes := [2]int64{seg.switchOnNS, seg.switchOffNS}
	if s == sensors.Drive {
		changes = [2]int64{seg.onNS, seg.offNS}
		if !seg.hasCycle {
			return next
		}
	}
	for _, at := range changes {
		if at > tNS {
			next = min(next, at)
		}
	}
	return next
}

package analysis

// toldTime is a release or set time as the device has measured it.
type toldTime struct {
	atNS int64 // when it was told
	s    float64
}

// of reports whether the time can be that of a brake which was set in motion by
// an edge: a device tells it once it is over.
func (t toldTime) of(e edge) bool {
	return t.atNS != 0 && t.atNS-int64(t.s*1e9) >= e.LoNS-toldSlackNS
}

// toldSlackNS allows for the count of the device's time, and for half the round
// trip by which edge and time may be placed wrongly.
const toldSlackNS = 20e6

// takeTold gives a cycle the times that its device has measured, where it
// measures any: one that it didn't tell is not known. What was told before the
// drive came on, or went off, is another cycle's.
func (b *Brake) takeTold(c *Cycle) {
	if b.set.ReleaseTime.Present || b.toldRelease.atNS != 0 {
		c.ReleaseS, c.ReleaseUS = NoValue(), NoValue()
		if b.driven && b.toldRelease.of(b.on) {
			c.ReleaseS, c.ReleaseUS = b.toldRelease.s, b.set.ReleaseTime.TimeUS
			if !b.probed {
				c.Kind = Full
			}
		}
	}
	if b.set.SetTime.Present || b.toldSet.atNS != 0 {
		c.SetS, c.SetUS = NoValue(), NoValue()
		if b.driven && b.toldSet.of(b.off) {
			c.SetS, c.SetUS = b.toldSet.s, b.set.SetTime.TimeUS
		}
	}
}

// readBy takes over how a signal is read.
func (c *contact) readBy(s SignalSettings) {
	c.polledNS, c.changes = int64(s.Poll), s.ByException
	if s.StampStep > 0 { // its polls only look whether the device has stamped a change
		c.polledNS, c.changes, c.stampNS = 0, true, int64(s.StampStep)
	}
}

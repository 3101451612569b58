package analysis

import (
	"time"

	"gapward/sensors"
)

// toldTime is a release or set time as the device has measured it.
type toldTime struct {
	atNS int64 // when it was told
	s    float64
}

// of reports whether the time is that of a brake which was set in motion by an
// edge: a device tells it once it is over, and it may have been over for as long
// as lies between two looks at its counter. So it may be that of the cycle before,
// too, where that is owed its own; then nobody knows whose it is.
func (t toldTime) of(e, owed edge, poll time.Duration) bool {
	began := t.atNS - int64(t.s*1e9) // at the latest
	if t.atNS == 0 || began < e.LoNS-toldSlackNS {
		return false
	}
	return owed.HiNS == 0 || poll == 0 || owed.HiNS < began-int64(sensors.MeasuredWithin(poll))-toldSlackNS
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
		owed := b.owedRelease
		b.owedRelease = b.on
		if b.driven && b.toldRelease.of(b.on, owed, b.set.ReleaseTime.Poll) {
			b.owedRelease = edge{}
			c.ReleaseS, c.ReleaseUS = b.toldRelease.s, b.set.ReleaseTime.TimeUS
			if !b.probed {
				c.Kind = Full
			}
		}
	}
	if b.set.SetTime.Present || b.toldSet.atNS != 0 {
		c.SetS, c.SetUS = NoValue(), NoValue()
		owed := b.owedSet
		b.owedSet = b.off
		if b.driven && b.toldSet.of(b.off, owed, b.set.SetTime.Poll) {
			b.owedSet = edge{}
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

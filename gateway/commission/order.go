package commission

import (
	"fmt"
	"math"
	"time"
)

// lags is how long after each change of one signal to a state the other changes
// to it, ms.
func lags(of, after *view, state bool) (list []float64) {
	for _, at := range after.line.changes {
		if on, _ := after.line.at(at); on != state {
			continue
		}
		for _, c := range of.line.changes {
			if on, _ := of.line.at(c); on == state && c > at-int64(time.Second) && c < at+int64(time.Second) {
				list = append(list, float64(c-at)*1e-6)
				break
			}
		}
	}
	return list
}

// fewestLags are needed for an order to be told.
const fewestLags = 3

// lagU is the standard uncertainty of the median of so many lags, ms: each of the
// two changes lies anywhere between two readings, and a median scatters by
// √(π/2) times as much as a mean.
func lagU(a, b *view, n int) float64 {
	each := math.Hypot(a.period(), b.period()) / math.Sqrt(12)
	return math.Sqrt(math.Pi/2) * each / math.Sqrt(float64(n))
}

// period is how far apart a channel's readings may lie between which it changes,
// ms. One that is told with its own time is as exact as that, for which the
// shortest time that counts here is taken.
func (v *view) period() float64 {
	w := v.c.Wiring
	if w.ByException() || w.Stamp != nil {
		return shortest * 1e3
	}
	return max(float64(w.Poll)*1e-6, v.report.number("period_mean"))
}

// inOrder looks whether the drive leads the release switch, both ways: a brake
// follows its drive. One edge is seen only to within a poll, but their median
// over some cycles tells a lead of 100 ms from a lag of 100 ms even at 50 ms.
func (b *brake) inOrder(d, s *view) {
	if d == nil || s == nil || !d.moves || !s.moves || !s.agrees(d, b.guard) {
		return
	}
	on, off := lags(s, d, true), lags(s, d, false)
	if len(on) < fewestLags || len(off) < fewestLags {
		return
	}
	frees, sets := median(on), median(off)
	b.report.figure("switch_after_drive_on", frees, "ms")
	b.report.figure("switch_after_drive_off", sets, "ms")
	late := func(lag float64, n int) bool { return lag < -max(shortest*1e3, 3*lagU(d, s, n)) }
	if !late(frees, len(on)) || !late(sets, len(off)) {
		return
	}
	const looks = "drive and release switch are swapped: a brake follows its drive, both ways"
	found := fmt.Sprintf("the switch comes on %.0f ms before the drive, and goes off %.0f ms before it (medians)", -frees, -sets)
	d.report.fail(driveWorks, found, looks, "Swap the two addresses, or the two wires. A drive contact that is delayed by more than the brake takes looks the same.")
	s.report.fail("switch with drive", found, looks, "Swap the two addresses, or the two wires.")
}

// number is a figure of a channel by its name; 0 where there is none.
func (c *Channel) number(name string) float64 {
	for _, f := range c.Figures {
		if f.Name == name {
			return f.Value
		}
	}
	return 0
}

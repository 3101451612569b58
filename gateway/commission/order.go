package commission

import (
	"fmt"
	"math"
	"slices"
	"sort"
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

// Parts of the way from one level of a brake to the other.
const (
	stillThere = 0.1 // a brake that has moved no farther is where it was …
	underWay   = 0.2 // … and one that has moved so far is on its way
)

// leads counts how often the drive's changes were seen to come before the brake
// moved, and how often after: the brake still where it was when read after the
// new state of the drive, or on its way when read before the old one was read for
// the last time. However slow the polls, the first never happens to a contact
// that follows the brake, nor the second to one that leads it: no brake moves
// within the shortest time after its drive.
func (d *view) leads(brake *view, guard time.Duration) (before, after, of int) {
	low, high := 0.0, 1.0
	if !brake.c.Signal.Binary() {
		low, high = brake.low, brake.high
	}
	for _, at := range d.line.changes {
		i, found := slices.BinarySearch(d.series.atNS, at)
		if _, since := d.line.at(at - 1); !found || i == 0 || at-since < int64(guard) {
			continue // it may still have been on its way from the change before
		}
		on, _ := d.line.at(at)
		moved := func(v float64) float64 {
			if part := (v - low) / (high - low); on {
				return part
			}
			return (high - v) / (high - low)
		}
		of++
		last := d.series.atNS[i-1] + shortest*1e9
		k := sort.Search(len(brake.series.atNS), func(k int) bool { return brake.series.atNS[k] > last })
		if k > 0 && brake.series.atNS[k-1] > last-int64(time.Second) && moved(brake.series.v[k-1]) > underWay {
			after++
		}
		k = sort.Search(len(brake.series.atNS), func(k int) bool { return brake.series.atNS[k] >= at })
		if k < len(brake.series.v) && moved(brake.series.v[k]) < stillThere {
			before++
		}
	}
	return before, after, of
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

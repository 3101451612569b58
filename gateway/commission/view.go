package commission

import (
	"fmt"
	"math"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/sensors"
)

// view is one channel with what was seen of it.
type view struct {
	c       sensors.Channel
	report  *Channel
	raw     []reading
	series  series
	outside int // readings outside of the scale

	answers bool // it can be looked at
	line    timeline
	moves   bool    // it goes from one state to the other
	low     float64 // levels of a travel that moves, mm
	high    float64
}

// brake is one brake with its channels; those that aren't wired are nil.
type brake struct {
	index    int32
	name     string
	settings analysis.Settings
	report   Brake
	travel   *view
	drive    *view
	released *view
	warmth   *view

	releaseTime, setTime *view // measured by the device

	guard  time.Duration // after a change nothing is sure
	others []*brake
}

// views makes what is looked at of what was seen.
func views(site *configs.Site, e evidence) []*brake {
	settings := site.AnalysisSettings()
	var brakes []*brake
	at := map[int32]*brake{}
	for i, c := range e.channels {
		b := at[c.Brake]
		if b == nil {
			b = &brake{index: c.Brake, name: c.Name, settings: settings[c.Brake], report: Brake{Name: c.Name}}
			slow := max(b.settings.Timing.Release, b.settings.Timing.Set)
			b.guard = min(max(slow*6/5, 350*time.Millisecond), time.Second)
			at[c.Brake] = b
			brakes = append(brakes, b)
		}
		v := &view{c: c, raw: e.readings[i], report: &Channel{Signal: c.Signal.String(), Device: c.Wiring.Device, Where: where(c.Wiring), Verdict: Passed}}
		v.series, v.outside = scaled(c, v.raw)
		switch c.Signal {
		case sensors.Travel:
			b.travel = v
		case sensors.Drive:
			b.drive = v
		case sensors.Released:
			b.released = v
		case sensors.ReleaseTime:
			b.releaseTime = v
		case sensors.SetTime:
			b.setTime = v
		default:
			b.warmth = v
		}
		v.draw()
	}
	for _, b := range brakes {
		for _, o := range brakes {
			if o != b {
				b.others = append(b.others, o)
			}
		}
	}
	return brakes
}

// draw works out when the signal was on. A number is on at the upper of its two
// levels, if it has any.
func (v *view) draw() {
	longest := hole(v.c.Wiring.Poll)
	if v.c.Signal.Binary() {
		v.line = timelineOf(v.series, 0.5, 0.25, longest)
	} else {
		var apart bool
		if v.low, v.high, apart = twoLevels(v.series.v); !apart {
			return
		}
		v.line = timelineOf(v.series, (v.low+v.high)/2, (v.high-v.low)/8, longest)
	}
	v.moves = len(v.line.changes) > 1
}

// channels are the brake's channels in the order of the signals.
func (b *brake) channels() (list []*view) {
	for _, v := range []*view{b.travel, b.drive, b.released, b.warmth, b.releaseTime, b.setTime} {
		if v != nil {
			list = append(list, v)
		}
	}
	return list
}

// where says in words where a signal is found.
func where(w sensors.Wiring) string {
	for _, p := range []struct {
		table   string
		address *uint16
	}{{"input register", w.Input}, {"holding register", w.Holding}, {"discrete input", w.Discrete}, {"coil", w.Coil}} {
		if p.address != nil {
			return fmt.Sprintf("%s %d", p.table, *p.address)
		}
	}
	if w.Value != "" {
		return fmt.Sprintf("topic %s at %s", w.Topic, w.Value)
	}
	return "topic " + w.Topic
}

// samePlace reports whether two channels are one contact, wired to both.
func samePlace(a, b sensors.Wiring) bool { return a.Device == b.Device && where(a) == where(b) }

// counts are the readings by quality.
func (v *view) counts() (good, bad, silent int) {
	for _, r := range v.raw {
		switch r.quality {
		case sensors.Good:
			good++
		case sensors.Bad:
			bad++
		default:
			silent++
		}
	}
	return good, bad, silent
}

// rawSpan is the lowest and the highest raw value that was read.
func (v *view) rawSpan() (low, high float64) {
	low, high = math.NaN(), math.NaN()
	for _, r := range v.raw {
		if r.quality == sensors.Good {
			low, high = math.Min(orElse(low, r.raw), r.raw), math.Max(orElse(high, r.raw), r.raw)
		}
	}
	return low, high
}

func orElse(v, otherwise float64) float64 {
	if math.IsNaN(v) {
		return otherwise
	}
	return v
}

// follows says how far a channel is on together with another; ok is false
// where that can't be told.
func (v *view) follows(other *view, guard time.Duration) (phi float64, ok bool) {
	if v == nil || other == nil || !v.moves || !other.moves {
		return 0, false
	}
	return together(&v.line, &other.line, guard)
}

// agree is how much two signals must agree to count as one following the other.
// What belongs together reaches 1 but for chatter; hoists that happen to run at
// the same times agree by less, the more of their cycles are seen.
const agree = 0.85

func (v *view) agrees(other *view, guard time.Duration) bool {
	phi, ok := v.follows(other, guard)
	return ok && phi >= agree
}

func (v *view) opposes(other *view, guard time.Duration) bool {
	phi, ok := v.follows(other, guard)
	return ok && phi <= -agree
}

// mm writes a length.
func mm(v float64) string { return fmt.Sprintf("%.3f mm", v) }

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

package commission

import (
	"fmt"
	"math"

	"gapward/analysis"
	"gapward/sensors"
)

// What is asked of a travel, as parts of the smallest gap allowed: a probe
// worse than that can't tell a good brake from a bad one.
const (
	mostNoise   = 0.05
	mostScatter = 0.05
)

// levels are the levels of a travel while the drive is off and on.
type levels struct {
	set, released float64 // medians over the times, mm
	noise         float64 // median scatter while set, mm
	ripple        float64 // … while released, mm
	n             int     // times on
}

// measure works the levels out. Without a drive that can be believed, the lower
// level counts as set.
func (b *brake) measure() (l levels, ok bool) {
	t := b.travel
	line := &t.line
	if d := b.usable(b.drive); d != nil && d.moves && d.report.Verdict != Failed {
		line = &d.line
	} else if !t.moves {
		return l, false
	}
	level := func(on bool) (middle, noise float64, n int) {
		var m, s []float64
		for _, sp := range line.spans(on, b.guard) {
			if part := t.series.within(sp.fromNS, sp.to); len(part.v) >= 5 {
				m, s = append(m, median(part.v)), append(s, scatter(part.v))
			}
		}
		return median(m), median(s), len(m)
	}
	l.set, l.noise, _ = level(false)
	l.released, l.ripple, l.n = level(true)
	return l, !math.IsNaN(l.set) && !math.IsNaN(l.released)
}

// range and noise of a travel, before anything is compared with it.
func (b *brake) travelAlone() {
	t := b.travel
	if t == nil || !t.answers {
		return
	}
	low, high := t.rawSpan()
	raw := fmt.Sprintf("raw %g to %g", low, high)
	if good, _, _ := t.counts(); float64(t.outside) > mostBad*float64(good) {
		looks, do := "wrong scale, register, type or word order; or a broken wire", "Compare raw counts, scale, type and word order with the device's list."
		if g := b.guess(); g != "" {
			looks, do = "wrong "+kind(t)+": with "+g+" it makes a travel", "Write it so in the site file, once the device's list says the same."
		}
		t.report.fail("range", fmt.Sprintf("%d of %s outside of the scale, %s", t.outside, plural(good, "reading"), raw), looks, do)
		t.moves = false
		return
	}
	// A travel of metres is the wrong bytes, whatever it does.
	if span := high - low; t.c.Wiring.Type == sensors.F32 && !t.c.Wiring.Scaled() && (span > 1000 || math.Abs(high) > 10000) {
		looks, do := "wrong register, type or word order", "Compare them with the device's list."
		if g := b.guess(); g != "" {
			looks, do = "wrong "+kind(t)+": with "+g+" it makes a travel", "Write it so in the site file, once the device's list says the same."
		}
		t.report.fail("range", raw+" mm", looks, do)
		t.moves = false
		return
	}
	t.report.pass("range", raw)
}

func kind(t *view) string {
	if t.c.Wiring.Type == "" || t.c.Wiring.Type == sensors.U16 || t.c.Wiring.Type == sensors.S16 {
		return "type"
	}
	return "word order"
}

// gapChecks looks at noise, scale and room of a travel that goes with its
// drive.
func (b *brake) gapChecks() {
	t := b.travel
	if t == nil || !t.answers || len(t.series.v) < fewest {
		return
	}
	b.noise()
	if t.report.Verdict == Failed {
		t.report.open("scale", "not looked at", "Put right what failed above first.")
		return
	}
	l, ok := b.measure()
	if !ok || l.n < 1 {
		t.report.open("scale", "no level while released was seen", runIt)
		return
	}
	t.report.figure("set_level", l.set, "mm")
	t.report.figure("released_level", l.released, "mm")
	t.report.figure("ripple_released", l.ripple, "mm")
	b.scale(l)
	b.room(l)
}

// noise looks how far the travel scatters while the brake is set.
func (b *brake) noise() {
	t := b.travel
	noise := math.NaN()
	if l, ok := b.measure(); ok {
		noise = l.noise
	} else if !t.moves {
		noise = scatter(t.series.v)
	}
	if math.IsNaN(noise) {
		t.report.open("noise", "no rest was seen", runIt)
		return
	}
	limit := mostNoise * b.settings.Limits.MinMM
	t.report.figure("noise", noise, "mm")
	found := fmt.Sprintf("standard deviation %s at rest, at most %s wanted", mm(noise), mm(limit))
	if noise > limit {
		t.report.fail("noise", found, "noisy probe: a loose plug or bracket, a missing screen, or a cable beside the motor's", "Look at plug, screen and cable; then at the device's filter.")
		return
	}
	t.report.pass("noise", found)
}

// scale looks whether the travel is a gap that the limits know.
func (b *brake) scale(l levels) {
	t, lim := b.travel, b.settings.Limits
	gap := l.released - l.set
	found := fmt.Sprintf("travels %s over %s; the limits are %g to %g mm", mm(gap), plural(l.n, "cycle"), lim.MinMM, lim.MaxMM)
	switch {
	case gap >= lim.MinMM && gap <= lim.MaxMM:
		t.report.pass("scale", found)
	case gap >= 0.6*lim.MinMM && gap <= 1.4*lim.MaxMM:
		t.report.fail("scale", found, "the gap is outside of its limits: the brake needs adjusting, or the scale is wrong by a little", "Measure the gap by hand. It decides between brake and scale.")
	default:
		typical := math.Sqrt(lim.MinMM * lim.MaxMM)
		factor := gap / typical
		size := fmt.Sprintf("about %.2g times too large", factor)
		if factor < 1 {
			size = fmt.Sprintf("about %.2g times too small", 1/factor)
		}
		t.report.fail("scale", found, "wrong scale: the travel is "+size, "Compare raw: and mm: with the probe's data, and inch with mm.")
	}
}

// room looks whether the probe's span leaves room for a gap that grows to max.
func (b *brake) room(l levels) {
	t := b.travel
	lo, hi, ok := t.c.Wiring.Span(sensors.Travel)
	if !ok {
		t.report.pass("room", "the site file gives no span to the probe")
		return
	}
	grows := math.Max(0, b.settings.Limits.MaxMM-(l.released-l.set))
	below, above := math.Min(l.set, l.released)-lo, hi-math.Max(l.set, l.released)
	found := fmt.Sprintf("%s below and %s above within the span of %g to %g mm; the gap may still grow by %s", mm(below), mm(above), lo, hi, mm(grows))
	if below < grows && above < grows {
		t.report.fail("room", found, "the probe will reach the end of its span before the gap reaches max", "Move the probe towards the middle of its span.")
		return
	}
	t.report.pass("room", found)
}

// cycles has the daemon's own analysis measure the brake. What the device
// measures itself is left out, to be compared with it.
func (b *brake) cycles() []analysis.Cycle {
	settings := b.settings
	settings.ReleaseTime, settings.SetTime = analysis.SignalSettings{}, analysis.SignalSettings{}
	machine := analysis.New(settings)
	var out analysis.Out
	var list []*view
	for _, v := range b.channels() {
		if !v.c.Signal.Measured() {
			list = append(list, v)
		}
	}
	at := make([]int, len(list))
	for {
		next := -1
		for i, v := range list {
			if at[i] < len(v.raw) && (next < 0 || v.raw[at[i]].atNS < list[next].raw[at[next]].atNS) {
				next = i
			}
		}
		if next < 0 {
			break
		}
		v := list[next]
		machine.Step(v.raw[at[next]].sample(v.c), &out)
		at[next]++
	}
	machine.Flush(&out)
	return out.Cycles
}

// sample is a reading as the daemon's sources would have brought it.
func (r reading) sample(c sensors.Channel) sensors.Sample {
	s := sensors.Sample{AtNS: r.atNS, Brake: c.Brake, Signal: c.Signal, Quality: r.quality}
	if r.quality != sensors.Good {
		return s
	}
	if c.Signal.Binary() {
		s.Value = float64(bit((r.raw != 0) != c.Wiring.Invert))
		return s
	}
	value, ok := c.Wiring.Scale(c.Signal, r.raw)
	if !ok || math.IsNaN(value) || math.IsInf(value, 0) {
		s.Quality = sensors.Bad
		return s
	}
	s.Value = value
	return s
}

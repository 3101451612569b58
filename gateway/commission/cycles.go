package commission

import (
	"fmt"
	"math"

	"gapward/analysis"
)

// measured is what the analysis made of a brake, over its full cycles.
type measured struct {
	full, jogs   int
	gap, u       float64 // median, and standard uncertainty of one cycle (root mean square), mm
	scatter      float64 // standard deviation from cycle to cycle, mm
	release, set float64 // medians, s
	releaseU     float64 // standard uncertainty of the median, s
	setU         float64
	spoilt       int // full cycles with spikes or lost readings
	flags        analysis.Flag
}

func summarise(cycles []analysis.Cycle) (m measured) {
	var gaps, gapU, release, releaseU, set, setU []float64
	for _, c := range cycles {
		m.flags |= c.Flags
		if c.Kind != analysis.Full {
			m.jogs++
			continue
		}
		m.full++
		if c.Flags&(analysis.FlagSpikes|analysis.FlagLostSamples) != 0 {
			m.spoilt++
		}
		if analysis.Has(c.GapMM) {
			gaps, gapU = append(gaps, c.GapMM), append(gapU, c.GapUMM)
		}
		if analysis.Has(c.ReleaseS) {
			release, releaseU = append(release, c.ReleaseS), append(releaseU, c.ReleaseUS)
		}
		if analysis.Has(c.SetS) {
			set, setU = append(set, c.SetS), append(setU, c.SetUS)
		}
	}
	m.gap, m.scatter = median(gaps), deviation(gaps)
	m.release, m.set = median(release), median(set)
	// A median of n scatters by √(π/2) as much as their mean: common knowledge of
	// statistics, for large n and a normal law.
	ofMedian := func(u []float64) float64 { return rootMeanSquare(u) * math.Sqrt(math.Pi/2/float64(len(u))) }
	m.u, m.releaseU, m.setU = rootMeanSquare(gapU), ofMedian(releaseU), ofMedian(setU)
	return m
}

// rootMeanSquare is 0 of nothing.
func rootMeanSquare(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x / float64(len(v))
	}
	return math.Sqrt(sum)
}

// cycleChecks looks at what the analysis measures: plateaus, how well the gap
// repeats, the times, and the agreement with the gauge.
func (b *brake) cycleChecks(e evidence, want int) {
	m := summarise(b.cycles())
	b.report.Cycles, b.report.Jogs = m.full, m.jogs
	figure := func(name string, v float64, unit string) {
		if m.full > 0 {
			b.report.figure(name, v, unit)
		}
	}
	figure("gap", m.gap, "mm")
	figure("gap_u_one_cycle", m.u, "mm")
	figure("gap_scatter", m.scatter, "mm")
	figure("release", m.release*1e3, "ms")
	figure("set", m.set*1e3, "ms")
	if t := b.travel; t != nil && t.answers && t.report.Verdict != Failed {
		if b.drive != nil && b.drive.report.Verdict == Failed {
			t.report.open("plateaus", "cycles are found by the drive, which can't be believed", "Put right the drive first.")
		} else {
			b.plateaus(m, want)
			b.byHand(e, m)
		}
	}
	b.times(m)
}

// plateaus looks whether full cycles come of the travel, and alike ones.
func (b *brake) plateaus(m measured, want int) {
	t := b.travel
	found := fmt.Sprintf("%s and %s", plural(m.full, "full cycle"), plural(m.jogs, "jog"))
	switch {
	case m.full < want:
		t.report.open("plateaus", fmt.Sprintf("%s; %d full ones are wanted", found, want), runIt+" Let it run for two seconds each way and stand for three in between.")
		return
	case m.flags&analysis.FlagFrozen != 0:
		t.report.fail("plateaus", found, "the drive cycled and the travel froze at times", wiggle)
	case m.spoilt*3 > m.full:
		t.report.fail("plateaus", fmt.Sprintf("%s, %d with spikes or lost readings", found, m.spoilt), "a loose contact, or interference from the motor's cable", "Look at plug, screen and cable.")
	default:
		t.report.pass("plateaus", found)
	}
	limit := math.Max(mostScatter*b.settings.Limits.MinMM, 4*m.u)
	found = fmt.Sprintf("gap %s, standard deviation from cycle to cycle %s, at most %s wanted; standard uncertainty of one cycle %s", mm(m.gap), mm(m.scatter), mm(limit), mm(m.u))
	if m.scatter > limit {
		t.report.fail("repeats", found, "the gap doesn't repeat: a loose probe or target, or a brake that doesn't seat", "Look at the probe's bracket, its target, and the brake.")
		return
	}
	t.report.pass("repeats", found)
}

// byHand compares with the depth gauge: the zeta score of ISO 13528, within 2
// for agreement and beyond 3 for none.
func (b *brake) byHand(e evidence, m measured) {
	t := b.travel
	const name = "agrees with the gauge"
	h, ok := e.gauge[b.index]
	switch {
	case !ok:
		t.report.open(name, "no reading was given", "Measure the gap with a depth gauge, brake set and released. Nothing else proves the scale.")
		return
	case math.IsNaN(m.gap) || m.full < 2:
		t.report.open(name, "the probe's gap isn't known", runIt)
		return
	}
	hand, err := h.Evaluate()
	if err != nil {
		t.report.open(name, err.Error(), "Measure again.")
		return
	}
	n := math.Sqrt(float64(m.full))
	u := math.Sqrt(math.Pow(m.u/n, 2) + math.Pow(m.scatter/n, 2) + math.Pow(b.settings.Travel.CalibrationU, 2))
	g := &Gauge{SetMM: h.StillMM, ReleasedMM: h.RunningMM, GapMM: hand.GapMM, UMM: hand.UMM, ProbeMM: m.gap, ProbeUMM: u,
		Zeta: (m.gap - hand.GapMM) / math.Hypot(u, hand.UMM)}
	b.report.Gauge = g
	t.report.figure("zeta", g.Zeta, "")
	found := fmt.Sprintf("by hand %s (u %s, %s), by probe %s (u %s): zeta %+.1f", mm(g.GapMM), mm(g.UMM), plural(hand.Repeats, "repeat"), mm(g.ProbeMM), mm(u), g.Zeta)
	switch z := math.Abs(g.Zeta); {
	case z <= 2:
		t.report.pass(name, found)
	case z <= 3:
		t.report.open(name, found, "Between 2 and 3 the score decides nothing: measure by hand again, more often.")
	default:
		t.report.fail(name, found, fmt.Sprintf("wrong scale, by the factor %.3f; or the gauge was read wrongly", m.gap/hand.GapMM), "Measure by hand again; if it stays so, correct raw: or mm: in the site file.")
	}
}

// shortest is a release or set time that no brake has: a magnet needs longer.
const shortest = 0.01

// times looks whether release and set times are those of a brake. They belong
// to the drive: the travel is judged by itself.
func (b *brake) times(m measured) {
	d := b.drive
	if d == nil || !d.answers || d.report.Verdict != Passed || !d.moves {
		return
	}
	end := b.travel
	if end == nil {
		end = b.released
	}
	if end == nil || end.report.Verdict == Failed {
		d.report.open("release and set time", "what they end with can't be believed", "Put right travel or switch first.")
		return
	}
	const comesFirst = "drive before brake"
	before, after, of := d.leads(end, b.guard)
	found := fmt.Sprintf("of %s, the brake was seen to move after %d and before %d", plural(of, "change"), before, after)
	switch {
	case after >= fewestInOrder && before == 0:
		d.report.fail(comesFirst, found, "this contact follows the brake in place of leading it", "Take the drive from the contactor's feedback or the motor's supply, not from the release switch.")
	case before >= fewestInOrder && before > after:
		d.report.pass(comesFirst, found)
	default:
		d.report.open(comesFirst, fmt.Sprintf("%s; polled every %.0f ms, which of them comes first can't be told", found, d.period()),
			"Poll more often, if the bus allows, or watch more cycles (--cycles).")
	}
	if math.IsNaN(m.release) || math.IsNaN(m.set) {
		d.report.open("release and set time", "no full cycle was seen", runIt)
		return
	}
	tm := b.settings.Timing
	found = fmt.Sprintf("release %.0f ms, set %.0f ms (medians)", m.release*1e3, m.set*1e3)
	slow := func(s, u, limit float64) (is, surely bool) { return limit > 0 && s > limit, limit > 0 && s-2*u > limit }
	releaseSlow, releaseSure := slow(m.release, m.releaseU, tm.Release.Seconds())
	setSlow, setSure := slow(m.set, m.setU, tm.Set.Seconds())
	limits := fmt.Sprintf("%s; slow beyond %d and %d ms", found, tm.Release.Milliseconds(), tm.Set.Milliseconds())
	switch {
	case releaseSure || setSure:
		d.report.fail("release and set time", limits, "a slow brake, limits too tight, or a drive contact that comes early", "Compare with the brake maker's times; look at the brake's supply and gap.")
	case releaseSlow || setSlow:
		d.report.open("release and set time", fmt.Sprintf("%s, with standard uncertainties of %.0f and %.0f ms", limits, m.releaseU*1e3, m.setU*1e3), "Watch more cycles (--cycles), or poll more often, if the bus allows.")
	default:
		d.report.pass("release and set time", found)
	}
	if period := d.c.Wiring.Poll.Seconds(); d.report.Verdict != Failed && period > m.release/2 {
		d.report.open("times resolved", fmt.Sprintf("polled every %.0f ms for a release of %.0f ms", period*1e3, m.release*1e3), "Poll at least twice as often, if the bus allows.")
	}
}

// fewestInOrder are needed for which comes first to be told.
const fewestInOrder = 2

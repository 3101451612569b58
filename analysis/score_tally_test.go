package analysis_test

import (
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"testing"

	"gapward/analysis"
	"gapward/sensors"
	"gapward/simulator"
)

// moments gathers errors.
type moments struct {
	n, sum, square, z2, covered float64
	brakes                      []float64 // mean error of each
}

func (m *moments) add(e, u float64) {
	m.n++
	m.sum += e
	m.square += e * e
	m.z2 += e * e / (u * u)
	if math.Abs(e) <= 2*u {
		m.covered++
	}
}

func (m *moments) bias() float64  { return m.sum / m.n }
func (m *moments) rmse() float64  { return math.Sqrt(m.square / m.n) }
func (m *moments) cover() float64 { return m.covered / m.n }

// zRMS is by how much the errors scatter over their u. They are taken about zero:
// what all cycles of a brake have in common, such as what isn't known of a contact's
// bounce, is part of u.
func (m *moments) zRMS() float64 { return math.Sqrt(m.z2 / m.n) }

// brakeOver notes the end of a brake's history, whose mean error is e.
func (m *moments) brakeOver(e float64) { m.brakes = append(m.brakes, e) }

// commonSE is the standard error of the bias where a brake's cycles have much of
// their error in common.
func (m *moments) commonSE() float64 {
	n := float64(len(m.brakes))
	var sum, square float64
	for _, e := range m.brakes {
		sum += e
		square += e * e
	}
	return math.Sqrt((square/n - sum*sum/n/n) / (n - 1))
}

// biasSE is the standard error of the bias: what chance alone gives.
func (m *moments) biasSE() float64 { return m.rmse() / math.Sqrt(m.n) }

// timing scores release or set times: all in seconds.
type timing struct {
	moments
	floor float64 // sum of the variances that the drive edge's poll bracket leaves

	smooth, scatter float64 // mean square of the smoothed value's error, and of the brake's own scatter
	smooths         float64
}

// smoothedOver is over how many cycles the smoothed times are a mean, at least.
const smoothedOver = 12

// smoothed is the RMSE of the smoothed value over that of the mean of as many
// cycles, each with what its poll leaves and the brake's own scatter.
func (t *timing) smoothed() float64 {
	return math.Sqrt(t.smooth / t.smooths / ((t.floor/t.n + t.scatter/t.smooths) / smoothedOver))
}

// smoothing scores the smoothed values against the mean of the true times
// around each cycle: what the brake's time is, its scatter apart.
func (t *timing) smoothing(truth, smoothed []float64) {
	const around = 30
	for i := learning + around; i+around < len(truth); i++ {
		var n, sum float64
		for _, s := range truth[i-around : i+around] {
			if analysis.Has(s) {
				n++
				sum += s
			}
		}
		if n < around || !analysis.Has(smoothed[i]) || !analysis.Has(truth[i]) {
			continue
		}
		t.smooths++
		t.smooth += math.Pow(smoothed[i]-sum/n, 2)
		t.scatter += math.Pow(truth[i]-sum/n, 2) * n / (n - 1)
	}
}

// rel is the RMSE over what the polled drive edge alone leaves.
func (t *timing) rel() float64 { return t.rmse() / math.Sqrt(t.floor/t.n) }

// score is how one family was measured.
type score struct {
	name                      string
	period                    float64 // seconds
	truths, matched, extra    int
	mustFull, full            int // cycles with good plateaus, and those found to be full
	mustJog, jog              int // cycles whose brake never arrived, and those found to be jogs
	gap, fair, oracle         moments
	release, set, early       timing // early: release before the curve is known
	alarms                    map[analysis.Condition]int
	gapFromNothing            int
	wildest                   float64
	absentTimes, guessedTimes int
}

// sharedCharts are those of all scored brakes: to work out the intervals takes
// longer than to measure a few hundred cycles.
var sharedCharts = sync.OnceValue(analysis.NewCharts)

// settings are what a site file would say of the family's brake.
func (f *family) settings() analysis.Settings {
	adjust := f.params().InitialGapMM * 1.4
	signal := func(present bool) analysis.SignalSettings {
		s := analysis.SignalSettings{Present: present, Poll: f.poll.period, StaleAfter: 5e9}
		if f.poll.byException() {
			s.Poll, s.ByException = 0, true
		}
		return s
	}
	s := analysis.Settings{Name: "a", Kind: analysis.Conical,
		Limits: analysis.Limits{MinMM: adjust * 0.42, TargetMM: adjust * 0.6, AdjustMM: adjust, MaxMM: adjust * 1.2},
		Travel: signal(true), Drive: signal(!f.poll.noDrive), Released: signal(f.poll.withSwitch),
		Temperature: analysis.SignalSettings{Present: f.poll.temperature, Poll: 5e9, StaleAfter: 60e9},
		Thermal:     f.thermal, Charts: sharedCharts()}
	s.Travel.ResolutionMM = max(f.poll.stepUM, f.poll.onChangeUM) * 1e-3 // as a site file's reader does
	return s
}

// learning is how many cycles a brake may take to learn its release curve.
const learning = 60

// run measures so many cycles of a family and scores them.
func run(t testing.TB, f family, seed uint64, cycles int) score {
	t.Helper()
	r := score{name: f.name, period: f.poll.period.Seconds(), alarms: map[analysis.Condition]int{}}
	brakes := max(f.brakes, 1)
	for i := range brakes {
		before := r.gap
		r.measure(t, f.brake(i), seed+uint64(i)*100_000, cycles*f.times()/brakes)
		r.gap.brakeOver((r.gap.sum - before.sum) / (r.gap.n - before.n))
	}
	return r
}

// measure scores the history of one brake.
func (r *score) measure(t testing.TB, f family, seed uint64, cycles int) {
	p := newPoller(t, f, seed)
	brake, out := analysis.New(f.settings()), &analysis.Out{}
	watch := oracle{p: f.params(), poll: f.poll}
	var smoothed [2][]float64 // release and set time as known after each cycle
	var oracleGaps []float64
	var fair []bool
	var pollNS, shownNS []int64 // the drive's polls, and those that showed it on
	standing := map[analysis.Condition]bool{}
	done := 0
	for len(p.truth) < cycles+1 {
		for _, s := range p.next() {
			watch.take(s)
			if s.Signal == sensors.Drive || f.poll.noDrive {
				pollNS = append(pollNS, s.AtNS)
			}
			if s.Signal == sensors.Drive && s.Value != 0 {
				shownNS = append(shownNS, s.AtNS)
			}
			brake.Step(s, out)
		}
		if nowNS := p.nowNS(); nowNS >= brake.WakeNS() { // silence counts too
			brake.Advance(nowNS, out)
		}
		for _, a := range out.Findings {
			if a.Excess > 0 && !standing[a.Condition] {
				r.alarms[a.Condition]++
			}
			standing[a.Condition] = a.Excess > 0
		}
		for _, v := range out.Verdicts {
			smoothed[0], smoothed[1] = append(smoothed[0], v.ReleaseS), append(smoothed[1], v.SetS)
		}
		out.Findings, out.Verdicts = out.Findings[:0], out.Verdicts[:0]
		out.Waveforms, out.Forecasts = out.Waveforms[:0], out.Forecasts[:0]
		for done+1 < len(p.truth) {
			g, ok := watch.gap(p.truth[done], p.truth[done+1], p.spiked)
			oracleGaps, fair = append(oracleGaps, g), append(fair, ok)
			done++
		}
	}
	brake.Flush(out)
	for _, v := range out.Verdicts {
		smoothed[0], smoothed[1] = append(smoothed[0], v.ReleaseS), append(smoothed[1], v.SetS)
	}
	if f.poll.temperature { // what was measured is referred to 20 °C
		grows := newGrowth(&f)
		for i := range p.truth {
			x := &p.truth[i]
			warmer := x.TemperatureC - 20
			if i < done {
				oracleGaps[i] = grows.refer(i, oracleGaps[i], warmer)
			}
			x.GapMM -= f.params().GapUMPerK * 1e-3 * warmer
		}
	}
	r.match(&f, p.truth[:done], oracleGaps, fair, out.Cycles, smoothed, pollNS, shownNS)
}

// match pairs measured cycles with true ones, both in the order of time.
func (r *score) match(f *family, truth []simulator.Truth, oracleGaps []float64, fair []bool, got []analysis.Cycle, smoothed [2][]float64, pollNS, shownNS []int64) {
	j, at := 0, 0
	noDrive, bounceS, spread := f.poll.noDrive, f.params().DriveBounceMS*1e-3, f.params().BounceSpread
	var times, means [2][]float64           // of the cycles matched: true times, smoothed ones
	bracket := func(edgeNS int64) float64 { // variance that the polled edge leaves, s²
		if f.poll.byException() {
			return r.period * r.period / 12
		}
		for at > 0 && pollNS[at-1] >= edgeNS {
			at--
		}
		for at < len(pollNS) && pollNS[at] < edgeNS {
			at++
		}
		if at == 0 || at == len(pollNS) {
			return 0
		}
		// A bounce that differs is taken in the middle of each of so many parts.
		const parts = 8
		w, sum := float64(pollNS[at]-pollNS[at-1])*1e-9, 0.0
		for i := range parts {
			b := bounceS * (1 - spread*(float64(i)+0.5)/parts)
			if b < w { // the old value is read within the bounce half of the time
				sum += (b*(b*b/12+w*w/4) + (w-b)*(w-b)*(w-b)/12) / w / parts
			} else {
				sum += (w + b) * (w + b) / 12 / parts
			}
		}
		return sum + spread*spread*bounceS*bounceS/48 // half of what the bounce itself is off
	}
	for i, x := range truth {
		if x.OnNS < pollNS[0]+1e9 { // under way before anybody looked
			for j < len(got) && got[j].AtNS < x.OffNS+300e6 {
				j++
			}
			continue
		}
		r.truths++
		for j < len(got) && got[j].AtNS < x.OnNS-300e6 {
			j++
			r.extra++
		}
		arrives := !math.IsNaN(x.GapMM)
		if j >= len(got) || got[j].AtNS > x.OffNS+300e6 {
			// What hardly moves can't be seen without the drive, and what falls
			// between two of its polls by nobody.
			if !arrives && (noDrive || !shows(shownNS, x.OnNS, x.OffNS+int64(bounceS*1e9))) {
				r.truths--
			}
			continue
		}
		c := got[j]
		setS := x.SetS
		if !arrives { // of a jog that is another
			setS = math.NaN()
		}
		times[0], times[1] = append(times[0], x.ReleaseS), append(times[1], setS)
		means[0], means[1] = append(means[0], smoothed[0][j]), append(means[1], smoothed[1][j])
		j++
		r.matched++
		if fair[i] {
			r.mustFull++
			if c.Kind == analysis.Full {
				r.full++
			}
		}
		if !arrives {
			r.mustJog++
			if c.Kind == analysis.Jog {
				r.jog++
			}
			if analysis.Has(c.GapMM) {
				r.gapFromNothing++
			}
		}
		if analysis.Has(c.GapMM) && arrives && i > 0 {
			e := (c.GapMM - x.GapMM) * 1e3
			r.gap.add(e, c.GapUMM*1e3)
			r.wildest = math.Max(r.wildest, math.Abs(e)/(c.GapUMM*1e3))
			if fair[i] {
				r.fair.add(e, c.GapUMM*1e3)
				r.oracle.add((oracleGaps[i]-x.GapMM)*1e3, 1)
			}
		}
		if analysis.Has(c.ReleaseS) && !math.IsNaN(x.ReleaseS) {
			one := &r.release
			if i < learning {
				one = &r.early
			}
			one.add(c.ReleaseS-x.ReleaseS, c.ReleaseUS)
			one.floor += bracket(x.OnNS)
		}
		if analysis.Has(c.SetS) && !math.IsNaN(x.SetS) && i >= learning {
			r.set.add(c.SetS-x.SetS, c.SetUS)
			r.set.floor += bracket(x.OffNS)
		}
		if fair[i] && !noDrive && !(analysis.Has(c.ReleaseS) && analysis.Has(c.SetS)) {
			r.absentTimes++
		}
		if noDrive && (analysis.Has(c.ReleaseS) || analysis.Has(c.SetS)) {
			r.guessedTimes++
		}
	}
	r.release.smoothing(times[0], means[0])
	r.set.smoothing(times[1], means[1])
	r.extra += len(got) - j
	if r.extra > 0 && len(got) > 0 && got[len(got)-1].AtNS > truth[len(truth)-1].OffNS {
		r.extra-- // the cycle in which the history ends
	}
}

// shows reports whether one of the times, in order, lies between two others.
func shows(atNS []int64, fromNS, toNS int64) bool {
	i, _ := slices.BinarySearch(atNS, fromNS)
	return i < len(atNS) && atNS[i] <= toNS
}

func (r *score) recall() float64 { return float64(r.matched) / float64(r.truths) }
func (r *score) precision() float64 {
	return float64(r.matched) / float64(r.matched+max(r.extra, 0))
}

// ratio is the gap's RMSE over the oracle's.
func (r *score) ratio() float64 { return r.fair.rmse() / r.oracle.rmse() }

// print writes the family's row of the table.
func (r *score) print(w io.Writer) {
	fmt.Fprintf(w, "%-23s %5d %.4f %.4f %4d/%-4d %4d/%-4d |%6.2f %6.3f %5.2f %5.2f %5.3f |%6.3f %5.3f %5.3f %4.2f |%6.3f %5.3f %5.3f %4.2f | %5.3f |",
		r.name, r.truths, r.recall(), r.precision(), r.full, r.mustFull, r.jog, r.mustJog,
		r.gap.bias(), r.gap.bias()/r.gap.rmse(), r.gap.rmse(), r.ratio(), r.gap.cover(),
		r.release.bias()/r.period, r.release.rel(), r.release.zRMS(), r.release.smoothed(),
		r.set.bias()/r.period, r.set.rel(), r.set.zRMS(), r.set.smoothed(), r.early.rel())
	for _, c := range analysis.Conditions() {
		if n := r.alarms[c]; n > 0 {
			fmt.Fprintf(w, " %s %d", c, n)
		}
	}
	if r.absentTimes > 0 {
		fmt.Fprintf(w, " no times %d", r.absentTimes)
	}
	if r.wildest > 6 {
		fmt.Fprintf(w, " wildest %.0f u", r.wildest)
	}
	fmt.Fprintln(w)
}

// printHead writes what the columns are. Gaps: bias in µm and as a part of the
// RMSE, RMSE in µm and over the oracle's, share within ±2u. Times: bias over the
// poll period, RMSE over what the polled edge leaves, deviation of the error
// over u, RMSE of the smoothed value over that of the mean of twelve.
func printHead(w io.Writer) {
	fmt.Fprintln(w, "                                                               | gap                              | release time               | set time                   | first")
	fmt.Fprintln(w, "family                 cycles recall precis  full found  jogs     |  bias  /rmse  rmse ratio cover |   bias  rmse  e/u  mean |  bias  rmse   e/u  mean |   60  | alarms")
}

package analysis_test

import (
	"math"

	"gapward/sensors"
	"gapward/simulator"
)

// oracle measures the gap knowing what no estimator can know: when each
// plateau begins and ends, how the noise is made, how fast the probe drifts,
// and which readings are spikes. Its levels are those of generalised least
// squares.
type oracle struct {
	p      simulator.Params
	poll   polling
	atNS   []int64 // readings kept
	mm     []float64
	restNS int64 // when the brake came to rest after the cycle before
}

// span is a plateau's time.
type span struct{ fromNS, toNS int64 }

// settleS is how long after its arrival the brake bounces by more than a tenth
// of the reading's noise.
func (o *oracle) settleS(gapMM float64) float64 {
	height := o.p.BouncePart * gapMM * 1e3
	if floor := 0.1 * o.noiseUM(); height > floor {
		return o.p.BounceDecayS * math.Log(height/floor)
	}
	return 0
}

func (o *oracle) noiseUM() float64 {
	return math.Hypot(o.p.NoiseUM, o.poll.stepUM/math.Sqrt(12))
}

// take keeps a reading for the cycles that it may belong to.
func (o *oracle) take(s sensors.Sample) {
	if s.Signal == sensors.Travel && s.Quality == sensors.Good {
		o.atNS, o.mm = append(o.atNS, s.AtNS), append(o.mm, s.Value)
	}
}

const plateauNS = 10e9 // set plateaus are looked at for this long, as drift allows

// plateaus are the times of the levels before, during and after a cycle, and
// when the brake rests after it. freeS is how long it was settled and free.
func (o *oracle) plateaus(x, next simulator.Truth) (before, free, after span, freeS float64) {
	gap := x.ReleasedMM - x.SetAfterMM
	travelS := o.p.SetTravelS * math.Sqrt(math.Max(gap, 0)/o.p.InitialGapMM)
	fallsNS := x.OffNS + int64((x.SetS-math.Sqrt(0.9)*travelS)*1e9)
	rest := fallsNS + int64((travelS+o.settleS(gap))*1e9)
	if math.IsNaN(x.GapMM) || math.IsNaN(x.SetS) { // a jog is over at the latest then
		rest = x.OffNS + int64((2*(o.p.SetDelayS+o.p.SetTravelS)+o.settleS(gap))*1e9)
	}
	before = span{max(o.restNS, x.OnNS-plateauNS), x.OnNS}
	freeS = x.PlateauS - o.settleS(gap)
	free = span{fallsNS - int64(freeS*1e9), fallsNS}
	after = span{rest, min(next.OnNS, x.OffNS+plateauNS)}
	return before, free, after, freeS
}

// level is the level of a plateau, mm, by generalised least squares: white
// noise, and where rippleNS is given a sine of random phase up to that time,
// known but for amplitude and phase.
func (o *oracle) level(s span, originNS, rippleUntilNS int64, rippleHz float64) (mm float64, readings int) {
	noise, amp := o.noiseUM()*1e-3, o.p.RippleUM*1e-3
	w := 2 * math.Pi * rippleHz
	var a [3][4]float64 // normal equations of level, cosine and sine
	var n float64
	for i, at := range o.atNS {
		if at < s.fromNS || at >= s.toNS {
			continue
		}
		t := float64(at-originNS) * 1e-9
		col := [3]float64{1, 0, 0}
		if at < rippleUntilNS {
			col[1], col[2] = math.Cos(w*t), math.Sin(w*t)
		}
		y := o.mm[i] - o.p.DriftMMPerHour/3600*t
		for r := range 3 {
			for c := range 3 {
				a[r][c] += col[r] * col[c]
			}
			a[r][3] += col[r] * y
		}
		n++
	}
	if n == 0 {
		return math.NaN(), 0
	}
	// The ripple's coefficients have variance amp²/2 each.
	ridge := math.Inf(1)
	if amp > 0 {
		ridge = noise * noise / (amp * amp / 2)
	}
	for r := 1; r < 3; r++ {
		if math.IsInf(ridge, 1) || rippleUntilNS == 0 {
			a[r] = [4]float64{}
			a[r][r] = 1
			a[0][r] = 0
			continue
		}
		a[r][r] += ridge
	}
	inv := a // solve and keep the first diagonal element of the inverse
	d := a[1][1]*a[2][2] - a[1][2]*a[2][1]
	schur := inv[0][0] - (a[0][1]*(a[2][2]*a[1][0]-a[1][2]*a[2][0])+a[0][2]*(a[1][1]*a[2][0]-a[2][1]*a[1][0]))/d
	rhs := a[0][3] - (a[0][1]*(a[2][2]*a[1][3]-a[1][2]*a[2][3])+a[0][2]*(a[1][1]*a[2][3]-a[2][1]*a[1][3]))/d
	return rhs / schur, int(n)
}

// gap is the oracle's gap of a cycle in mm; NaN where there are too few
// readings to speak of plateaus. fair says that the cycle has plateaus that
// anybody could measure: five polls, or so many readings, and a tenth of a second.
func (o *oracle) gap(x, next simulator.Truth, spiked map[int64]bool) (gapMM float64, fair bool) {
	o.drop(spiked)
	before, free, after, freeS := o.plateaus(x, next)
	defer func() { o.forget(after) }()
	if math.IsNaN(x.GapMM) || math.IsNaN(x.SetS) || freeS <= 0 {
		return math.NaN(), false
	}
	period := o.poll.period.Seconds()
	fair = freeS >= math.Max(5*period, 0.1) && seconds(before) > 5*period && seconds(after) > 5*period
	a, m := o.level(before, x.OnNS, 0, 0)
	b, n := o.level(free, x.OnNS, x.OffNS, x.RippleHz)
	c, k := o.level(after, x.OnNS, 0, 0)
	fair = fair && !math.IsNaN(a+b+c) && (!o.poll.byException() || min(k, m, n) >= 5)
	return b - (a+c)/2, fair
}

func seconds(s span) float64 { return float64(s.toNS-s.fromNS) * 1e-9 }

// drop takes out what is known to be a spike.
func (o *oracle) drop(spiked map[int64]bool) {
	if len(spiked) == 0 {
		return
	}
	n := 0
	for i, at := range o.atNS {
		if !spiked[at] {
			o.atNS[n], o.mm[n] = at, o.mm[i]
			n++
		}
	}
	o.atNS, o.mm = o.atNS[:n], o.mm[:n]
}

// forget lets go of what lies before the set plateau that has just been used,
// which is the next cycle's first.
func (o *oracle) forget(after span) {
	o.restNS = after.fromNS
	n := 0
	for i, at := range o.atNS {
		if at >= after.fromNS {
			o.atNS[n], o.mm[n] = at, o.mm[i]
			n++
		}
	}
	o.atNS, o.mm = o.atNS[:n], o.mm[:n]
}

// growth is how the oracle refers its gaps to 20 °C. It knows the temperature of
// each cycle and how much real gaps scatter, and that they grow over the cycles by
// a straight line, but not how much they grow with temperature: unless that is
// given it fits it, by least squares over the cycles so far and from what it knows
// of brakes of this kind.
type growth struct {
	given float64       // mm/K, NaN where it is to be fitted
	a     [3][4]float64 // normal equations of level, wear and growth
	sdMM  float64       // of a gap about its line
}

func newGrowth(f *family) growth {
	p := f.params()
	g := growth{given: math.NaN(), sdMM: 1e-3 * math.Hypot(p.GapScatterUM, p.SeatScatterUM/math.Sqrt2)}
	if f.thermal != nil {
		g.given = f.thermal.UMPerK * 1e-3
		return g
	}
	const most = 0.4e-3 // as warm makes brakes: evenly up to it
	g.a[2][2] = g.sdMM * g.sdMM / (most * most / 3)
	return g
}

// refer is a gap as it would be at 20 °C, by what is known up to this cycle.
func (g *growth) refer(cycle int, gapMM, warmer float64) float64 {
	if math.IsNaN(gapMM) {
		return gapMM
	}
	if !math.IsNaN(g.given) {
		return gapMM - g.given*warmer
	}
	col := [3]float64{1, float64(cycle) * 1e-3, warmer}
	for r := range 3 {
		for c := range 3 {
			g.a[r][c] += col[r] * col[c]
		}
		g.a[r][3] += col[r] * gapMM
	}
	m := g.a
	m[0][0] += 1e-9
	m[1][1] += 1e-9
	for k := range 2 { // forward elimination leaves the growth last
		for r := k + 1; r < 3; r++ {
			part := m[r][k] / m[k][k]
			for c := k; c < 4; c++ {
				m[r][c] -= part * m[k][c]
			}
		}
	}
	return gapMM - m[2][3]/m[2][2]*warmer
}

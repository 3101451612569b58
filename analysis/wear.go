package analysis

import "math"

// wear follows the underlying gap of one brake over its cycles: a robust
// Kalman filter of the state [gap, wear per cycle]. All lengths are mm, work
// is counted in cycles.
type wear struct {
	set               bool
	gap, rate         float64
	p11, p12, p22     float64 // covariance of gap and rate
	excess            float64 // scatter variance beyond the cycles' own u, learned
	scale             float64 // smallest rate worth speaking of: the whole way in 200,000 cycles
	seen              int64   // full cycles since the last restart
	since             int64   // cycles since the last full one
	shift             [shiftRun]float64
	shifted           int
	lastInnovationSDs float64
}

const (
	outlierSDs = 3.0 // beyond this an innovation's pull is bounded
	shiftRun   = 5   // so many in a row on one side …
	shiftSDs   = 3.5 // … by this much are a change of the gap itself
	// relative scatter of wear per cycle, and how far the rate wanders in a
	// cycle: a tenth in a thousand cycles
	wearScatter = 2.0
	rateWander  = 0.003
	noGapU      = 0.02 // standard uncertainty, mm, of a gap that comes without one, until its scatter has been seen
)

func newWear(l Limits) wear {
	w := wear{scale: (l.AdjustMM - l.TargetMM) / 200000}
	if !(w.scale > 0) {
		w.scale = 1e-6
	}
	// Before anything is known: between no wear and the whole way in a few
	// thousand cycles.
	w.rate, w.p22 = 0, math.Pow(w.scale*50, 2)
	return w
}

// diffusion is the variance that one cycle adds to the gap.
func (w *wear) diffusion() float64 {
	r := math.Max(math.Abs(w.rate), w.scale)
	return wearScatter * wearScatter * r * r
}

func (w *wear) predict(cycles float64) {
	r := math.Max(math.Abs(w.rate), w.scale)
	q := rateWander * r
	q *= q
	w.gap += cycles * w.rate
	w.p11 += 2*cycles*w.p12 + cycles*cycles*w.p22 + cycles*w.diffusion() + q*cycles*cycles*cycles/3
	w.p12 += cycles*w.p22 + q*cycles*cycles/2
	w.p22 += q * cycles
}

// jog counts a cycle that wears without being measured.
func (w *wear) jog() { w.since++ }

// restart forgets the gap and keeps the rate: the brake was adjusted, the
// lining changed or the probe moved.
func (w *wear) restart(gapMM, uMM float64) {
	w.gap, w.p11, w.p12 = gapMM, uMM*uMM, 0
	w.seen, w.shifted = 1, 0
}

// add takes the gap of a full cycle with its standard uncertainty (NaN where
// unknown). It reports the size of a sudden change of the gap, or 0.
func (w *wear) add(gapMM, uMM float64) (stepMM float64) {
	known := uMM * uMM
	if !Has(uMM) || uMM <= 0 {
		known = 0
	}
	if !w.set {
		w.set = true
		if known == 0 {
			w.excess = noGapU * noGapU
		}
		w.restart(gapMM, math.Sqrt(known+w.excess)+1e-3)
		return 0
	}
	w.predict(float64(w.since + 1))
	w.since = 0
	w.seen++

	r := known + w.excess
	nu := gapMM - w.gap
	s := w.p11 + r
	sds := nu / math.Sqrt(s)

	if step, ok := w.shiftSeen(gapMM, sds); ok {
		return step
	}
	// Huber's bound on the innovation: an outlier pulls like one at the bound.
	weight := 1.0
	if a := math.Abs(sds); a > outlierSDs {
		weight = outlierSDs / a
	}
	w.learnScatter(nu, s, known)
	s = w.p11 + known + w.excess
	k1, k2 := w.p11/s, w.p12/s
	w.gap += k1 * nu * weight
	w.rate += k2 * nu * weight
	w.p22 -= k2 * w.p12
	w.p12 -= k1 * w.p12
	w.p11 -= k1 * w.p11
	return 0
}

// learnScatter follows how much the gaps scatter beyond what their own
// uncertainty explains. The square is bounded so that an outlier teaches
// little, and the bound's loss made up for (E[min(z²,9)] = 0.9946 for a normal z).
func (w *wear) learnScatter(nu, s, known float64) {
	z2 := math.Min(nu*nu/s, outlierSDs*outlierSDs) / 0.9946
	gain := 1 / math.Min(float64(w.seen)+3, 300)
	w.excess = math.Max(w.excess+gain*(z2*s-s), 0)
	if known == 0 {
		w.excess = math.Max(w.excess, 1e-8)
	}
}

// shiftSeen looks for a change that stays: shiftRun innovations in a row, far
// off on one side.
func (w *wear) shiftSeen(gapMM, sds float64) (stepMM float64, ok bool) {
	if math.Abs(sds) < shiftSDs || w.shifted > 0 && (w.shift[0]-w.gap)*sds < 0 {
		w.shifted = 0
		return 0, false
	}
	w.shift[w.shifted] = gapMM
	w.shifted++
	if w.shifted < shiftRun {
		return 0, false
	}
	buf := w.shift
	now := medianInPlace(buf[:])
	step := now - w.gap
	w.restart(now, math.Sqrt(w.excess/shiftRun)+1e-3)
	return step, true
}

// u is the standard uncertainty of the filtered gap, calibration left out.
func (w *wear) u() float64 { return math.Sqrt(w.p11) }

// told reports whether wear can be told from zero, one-sided at 95 %.
func (w *wear) told() bool {
	return w.set && w.seen >= 10 && w.rate-1.645*math.Sqrt(w.p22) > 0
}

package analysis

import "math"

// referenceC is the temperature that gaps are referred to (ISO 1).
const referenceC = 20.0

// thermal refers gaps to 20 °C. How much a gap grows with each kelvin is given,
// or fitted over the cycles: the gap as a straight line over the cycles, which
// is wear, plus so much for each kelvin, by least squares that forget. Until
// that says more, the gap is thought to grow by nothing, give or take what
// steel of the thickness of a brake disc does.
type thermal struct {
	given   bool
	perK, u float64 // mm/K, and its standard uncertainty

	baseMM, lastMM float64       // first gap, moved along when the gap is changed; latest gap
	rests          float64       // sum of weights
	a              [3][4]float64 // sums of products of 1, cycles before now and kelvins, and of each with the gap
	gaps           float64       // sum of squares of the gap
	smoothed       float64       // residual, over some twenty cycles
	slow, square   float64       // mean squares of the smoothed residual and of the residual itself
}

const (
	thermalPriorMM = 12e-6 * 20 // per kelvin: 20 mm of steel
	thermalU       = 0.5        // standard uncertainty of a temperature, K
	thermalKeep    = 0.999      // weight left after each cycle
	thermalKnown   = 30         // cycles before the fit counts
	thermalStepMM  = 0.02       // a gap that changes by more than this at once was changed
)

func newThermal(given *Thermal) thermal {
	if given != nil {
		return thermal{given: true, perK: given.UMPerK * 1e-3, u: given.UUMPerK * 1e-3}
	}
	return thermal{u: thermalPriorMM}
}

// learn takes a gap, mm, as it was measured at a temperature, °C.
func (t *thermal) learn(gapMM, uMM, tempC float64) {
	if t.given {
		return
	}
	if t.rests == 0 {
		t.baseMM, t.lastMM = gapMM, gapMM
	}
	if step := gapMM - t.lastMM; math.Abs(step) > thermalStepMM+8*uMM {
		t.baseMM += step
	}
	t.lastMM = gapMM

	// A cycle later what was k cycles ago is k+1 ago: the sums over
	// k = −1, −2, … follow.
	a := &t.a
	a[1][1] += a[0][0] - 2*a[0][1]
	a[0][1] -= a[0][0]
	a[1][2] -= a[0][2]
	a[1][3] -= a[0][3]
	for r := range a {
		for c := r; c < 4; c++ {
			a[r][c] *= thermalKeep
		}
	}
	x, y := tempC-referenceC, gapMM-t.baseMM
	a[0][0]++
	a[0][2] += x
	a[2][2] += x * x
	a[0][3] += y
	a[2][3] += x * y
	t.rests = a[0][0]
	t.gaps = thermalKeep*t.gaps + y*y
	t.solve(x, y)
}

// solve works out the growth with temperature, level and wear eliminated.
func (t *thermal) solve(x, y float64) {
	a := &t.a
	det := a[0][0]*a[1][1] - a[0][1]*a[0][1]
	if t.rests < thermalKnown || det <= 0 {
		return
	}
	// Least squares of the kelvins, and of the gaps, on level and cycles.
	line := func(b0, b1 float64) (level, slope float64) {
		return (a[1][1]*b0 - a[0][1]*b1) / det, (a[0][0]*b1 - a[0][1]*b0) / det
	}
	x0, x1 := line(a[0][2], a[1][2])
	y0, y1 := line(a[0][3], a[1][3])
	xx := a[2][2] - a[0][2]*x0 - a[1][2]*x1
	xy := a[2][3] - a[0][3]*x0 - a[1][3]*x1
	yy := t.gaps - a[0][3]*y0 - a[1][3]*y1
	if xx <= 0 {
		return
	}
	slope := xy / xx
	scatter := math.Max(yy-slope*xy, 0) / (t.rests - 3)

	// Residuals that stay on one side for some cycles, as those of uneven wear
	// and of seats that two cycles share do, are worth fewer: smoothed, they
	// scatter more than independent ones would, of which the fit takes out three
	// of as many as there are smoothed means.
	const smoothing, least = 0.1, 0.3
	means := t.rests * smoothing / (2 - smoothing)
	r := y - y0 - slope*(x-x0)
	gain := 1 / math.Min(t.rests, 500)
	t.smoothed += smoothing * (r - t.smoothed)
	t.slow += gain * (t.smoothed*t.smoothed - t.slow)
	t.square += gain * (r*r - t.square)
	worth := 1.0
	if independent := t.square * smoothing / (2 - smoothing) * math.Max(least, 1-3/means); t.slow > independent {
		worth = independent / t.slow
	}
	fit := xx / math.Max(scatter, 1e-12) * worth
	prior := 1 / (thermalPriorMM * thermalPriorMM)
	t.perK = slope * fit / (fit + prior)
	t.u = 1 / math.Sqrt(fit+prior)
}

// refer is a gap at 20 °C and its standard uncertainty, from the one measured
// at a temperature.
func (t *thermal) refer(gapMM, uMM, tempC float64) (g, u float64) {
	warmer := tempC - referenceC
	return gapMM - t.perK*warmer, combined(uMM, t.u*warmer, t.perK*thermalU)
}

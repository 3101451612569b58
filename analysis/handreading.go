package analysis

import (
	"errors"
	"fmt"
	"math"
)

// HandReading is a gap measured by hand at one visit: gaps read directly with a
// feeler, or depths read with a gauge while the brake is set (still) and while
// it is released (running).
type HandReading struct {
	GapsMM           []float64
	StillMM          []float64
	RunningMM        []float64
	ResolutionMM     float64 // step of the instrument's scale; 0: [DefaultHandResolutionMM]
	InstrumentUMM    float64 // standard uncertainty of its calibration, from the certificate
	RepeatabilitySD  float64 // standard deviation of one reading by experience, mm; 0: [DefaultHandRepeatabilityMM]
	RepeatabilityDOF float64 // degrees of freedom of that experience; 0: 5
}

// What is assumed of hand measurements where nothing better is given. Common
// practice in the trade, no published source: a depth gauge with a vernier of a
// twentieth of a millimetre, read through a port at an awkward place.
const (
	DefaultHandResolutionMM    = 0.05
	DefaultHandRepeatabilityMM = 0.05
	defaultHandDOF             = 5
)

// HandGap is what a hand reading comes to, evaluated as in JCGM 100 (GUM).
type HandGap struct {
	GapMM float64 // the mean
	// UMM is half of the interval that covers the truth with 95.45 %, so that
	// 2u means here what it means for the gaps of a probe. It is the combined
	// standard uncertainty times t(DOF)/2.
	UMM     float64
	TypeA   float64 // standard uncertainty of the mean from the repeats
	TypeB   float64 // … from the scale and the instrument's calibration
	DOF     float64 // effective degrees of freedom, Welch-Satterthwaite
	Repeats int     // gaps, or pairs of depths
}

// Evaluate works the gap out. As many still depths as running ones are taken as
// pairs; otherwise the means are subtracted. Which way the depth runs doesn't
// matter: the gap is the size of the difference.
//
// A few repeats say little of their scatter, so it is pooled with that known
// by experience (GUM 4.2.4), which makes a single reading usable too.
func (h HandReading) Evaluate() (HandGap, error) {
	if err := h.check(); err != nil {
		return HandGap{}, err
	}
	resolution, sd, dof := h.ResolutionMM, h.RepeatabilitySD, h.RepeatabilityDOF
	if resolution == 0 {
		resolution = DefaultHandResolutionMM
	}
	if sd == 0 {
		sd = DefaultHandRepeatabilityMM
	}
	if dof == 0 {
		dof = defaultHandDOF
	}
	scale := resolution / math.Sqrt(12)
	var g HandGap
	var varA, nuA float64
	switch {
	case len(h.GapsMM) > 0:
		m, ss, n := momentsByHand(h.GapsMM)
		g.GapMM, g.Repeats = m, len(h.GapsMM)
		nuA = dof + n - 1
		varA = (dof*sd*sd + ss) / nuA / n
		g.TypeB = math.Hypot(scale, h.InstrumentUMM)
	case len(h.StillMM) == len(h.RunningMM):
		diffs := make([]float64, len(h.StillMM))
		for i := range diffs {
			diffs[i] = h.RunningMM[i] - h.StillMM[i]
		}
		m, ss, n := momentsByHand(diffs)
		g.GapMM, g.Repeats = math.Abs(m), len(diffs)
		nuA = dof + n - 1
		varA = (dof*2*sd*sd + ss) / nuA / n // a difference scatters like two readings
	default:
		m1, ss1, n1 := momentsByHand(h.StillMM)
		m2, ss2, n2 := momentsByHand(h.RunningMM)
		g.GapMM, g.Repeats = math.Abs(m2-m1), min(len(h.StillMM), len(h.RunningMM))
		nuA = dof + n1 + n2 - 2
		varA = (dof*sd*sd + ss1 + ss2) / nuA * (1/n1 + 1/n2)
	}
	if len(h.GapsMM) == 0 {
		// The gauge's zero cancels between the two depths, its scale does not;
		// which of the two a certificate means it doesn't say.
		g.TypeB = math.Hypot(scale*math.Sqrt2, h.InstrumentUMM)
	}
	g.TypeA = math.Sqrt(varA)
	u := math.Hypot(g.TypeA, g.TypeB)
	g.DOF = effectiveDOF([]float64{g.TypeA, g.TypeB}, []float64{nuA, math.Inf(1)})
	g.UMM = u * twoSigmaT(g.DOF) / 2
	if !(g.GapMM > 0) {
		return HandGap{}, errors.New("the depths show no travel between brake set and brake released: read both again")
	}
	return g, nil
}

func (h HandReading) check() error {
	depths := len(h.StillMM) + len(h.RunningMM)
	switch {
	case len(h.GapsMM) > 0 && depths > 0:
		return errors.New("there are gaps as well as depths: give one of them")
	case len(h.GapsMM) == 0 && depths == 0:
		return errors.New("there is no reading: give gaps, or depths with the motor still and running")
	case depths > 0 && len(h.StillMM) == 0:
		return errors.New("the depths with the motor still are missing")
	case depths > 0 && len(h.RunningMM) == 0:
		return errors.New("the depths with the motor running are missing")
	}
	for _, v := range h.GapsMM {
		if !(v > 0 && v < mostMM) {
			return fmt.Errorf("a gap of %s mm can't be: it is above 0 and below %d mm", shortMM(v), mostMM)
		}
	}
	deeper, shallower := false, false
	for i, v := range append(append([]float64{}, h.StillMM...), h.RunningMM...) {
		if !(v >= 0 && v < mostMM) {
			return fmt.Errorf("a depth of %s mm can't be: it is from 0 to below %d mm", shortMM(v), mostMM)
		}
		if len(h.StillMM) == len(h.RunningMM) && i < len(h.StillMM) {
			deeper = deeper || h.RunningMM[i] > v
			shallower = shallower || h.RunningMM[i] < v
		}
	}
	if deeper && shallower {
		return errors.New("some running depths are above the still ones and some below: two have been mixed up")
	}
	return nil
}

// mostMM is beyond any gap or depth at a hoist's brake.
const mostMM = 1000

// momentsByHand is the mean of some readings and the sum of the squares about it.
func momentsByHand(v []float64) (mean, squares, n float64) {
	n = float64(len(v))
	for _, x := range v {
		mean += x / n
	}
	for _, x := range v {
		squares += (x - mean) * (x - mean)
	}
	return mean, squares, n
}

// effectiveDOF is the Welch-Satterthwaite formula (GUM G.4.1), not truncated.
func effectiveDOF(u, dof []float64) float64 {
	var sum, below float64
	for i := range u {
		sum += u[i] * u[i]
		below += math.Pow(u[i], 4) / dof[i]
	}
	if below == 0 {
		return math.Inf(1)
	}
	return sum * sum / below
}

// twoSigmaT is Student's t for 95.45 %, two-sided: the factor that covers what
// two standard deviations cover where these are known. It is the expansion of
// the quantile in 1/dof about the normal one (Abramowitz & Stegun 26.7.5), good
// to a hundredth from five degrees of freedom on.
func twoSigmaT(dof float64) float64 {
	const z = 2.0
	z3, z5, z7 := z*z*z, z*z*z*z*z, z*z*z*z*z*z*z
	return z + (z3+z)/4/dof + (5*z5+16*z3+3*z)/96/(dof*dof) + (3*z7+19*z5+17*z3-15*z)/384/(dof*dof*dof) +
		(79*z7*z*z+776*z7+1482*z5-1920*z3-945*z)/92160/(dof*dof*dof*dof)
}

// Comparison is a hand reading beside the probe's gap at that time.
type Comparison struct {
	OffMM  float64 // hand less probe
	UMM    float64 // standard uncertainty of OffMM
	Agrees bool    // within U = 2u
}

// Compare sets a hand reading against the probe's filtered gap. The two are
// independent: nothing of one is in the other.
func Compare(handMM, handU, probeMM, probeU float64) Comparison {
	c := Comparison{OffMM: handMM - probeMM, UMM: math.Hypot(handU, probeU)}
	c.Agrees = math.Abs(c.OffMM) <= 2*c.UMM+exact
	return c
}

package analysis

import "math"

// Compared is a hand reading beside the gap that the probe showed around it.
type Compared struct {
	AtNS             int64
	HandMM, HandUMM  float64
	ProbeMM, ProbeU  float64 // standard uncertainty, calibration included
	Comparison               // hand less probe
	sharedU, singleU float64 // of OffMM: what all readings share, and what they don't
}

// ComparedCycles is how many cycles stand for the probe's gap at a time, and
// leastCompared how few may.
const (
	ComparedCycles = 20
	leastCompared  = 3
)

// CompareAt sets a reading against the probe's cycles around it: the latest
// before it, or where the brake was worked on since those, the first after it.
// ok is false where too few of them are sound.
func CompareAt(s Settings, reading Entry, around []Cycle) (c Compared, ok bool) {
	var gaps, us []float64
	for _, cy := range around {
		if !soundGap(cy) {
			continue
		}
		if gaps = append(gaps, cy.GapMM); Has(cy.GapUMM) {
			us = append(us, cy.GapUMM)
		}
	}
	if len(gaps) < leastCompared || !Has(reading.GapMM) || !Has(reading.GapUMM) {
		return Compared{}, false
	}
	scatter := uOfMedian(gaps, us)
	c = Compared{AtNS: reading.AtNS, HandMM: reading.GapMM, HandUMM: reading.GapUMM,
		ProbeMM: medianOf(gaps), ProbeU: combined(scatter, s.Travel.CalibrationU)}
	c.Comparison = Compare(c.HandMM, c.HandUMM, c.ProbeMM, c.ProbeU)
	own, shared := reading.ownAndShared()
	c.singleU, c.sharedU = math.Hypot(own, scatter), math.Hypot(shared, s.Travel.CalibrationU)
	return c, true
}

// soundGap reports whether a cycle's gap may be relied upon.
func soundGap(c Cycle) bool {
	return c.Kind == Full && Has(c.GapMM) && c.Flags&inDoubt == 0
}

// Words say how the reading stands to the probe.
func (c Compared) Words() string {
	if c.Agrees {
		return "Agrees with the probe, " + signed(c.OffMM, c.UMM) + " off it."
	}
	return "Differs from the probe's " + PlusMinus(c.ProbeMM, c.ProbeU) + " by " + signed(c.OffMM, c.UMM) + ": read again, and look at gauge, port and probe."
}

// Bias is by how much hand readings are off the probe, over all of them and as
// time goes by.
type Bias struct {
	Readings   int
	MM, UMM    float64 // mean, hand less probe, and its standard uncertainty
	PerYearMM  float64 // how the difference grows; NaN of fewer than three readings
	PerYearUMM float64
	Agrees     bool // the mean is within U = 2u of none
}

const yearNS = 365.25 * 24 * 3600e9

// BiasOf is the bias over some comparisons: means and line weighted by what they
// don't share (GUM 5.1; the usual weighted least squares). What gauge and probe
// have in common in all of them, their calibrations, averages out of the growth
// and not out of the mean.
func BiasOf(list []Compared) Bias {
	b := Bias{Readings: len(list), MM: NoValue(), UMM: NoValue(), PerYearMM: NoValue(), PerYearUMM: NoValue()}
	if len(list) == 0 {
		return b
	}
	var sum, mean, at, shared float64
	for _, c := range list {
		w := 1 / (c.singleU * c.singleU)
		sum += w
		mean += w * c.OffMM
		at += w * float64(c.AtNS-list[0].AtNS) / yearNS
		shared = math.Max(shared, c.sharedU)
	}
	mean, at = mean/sum, at/sum
	b.MM, b.UMM = mean, math.Sqrt(1/sum+shared*shared)
	b.Agrees = math.Abs(b.MM) <= 2*b.UMM+exact
	if len(list) < 3 {
		return b
	}
	var xx, xy float64
	for _, c := range list {
		w, x := 1/(c.singleU*c.singleU), float64(c.AtNS-list[0].AtNS)/yearNS-at
		xx += w * x * x
		xy += w * x * c.OffMM
	}
	if xx > 0 {
		b.PerYearMM, b.PerYearUMM = xy/xx, math.Sqrt(1/xx)
	}
	return b
}

// Words say how the hand readings stand to the probe.
func (b Bias) Words() string {
	switch {
	case b.Readings == 0:
		return "no hand reading can be compared with the probe"
	case b.Agrees:
		return "hand readings and probe agree: " + signed(b.MM, b.UMM) + " on average, hand less probe"
	}
	return "hand readings and probe differ by " + signed(b.MM, b.UMM) + ", hand less probe: look at the gauge, the port and the probe's scale"
}

// signed is a difference with its sign and expanded uncertainty.
func signed(mm, u float64) string {
	if mm > 0 {
		return "+" + PlusMinus(mm, u)
	}
	return PlusMinus(mm, u)
}

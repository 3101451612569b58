package report

import (
	"fmt"
	"math"

	"gapward/analysis"
	"gapward/gateway/figures"
)

// DoubtError is why an entry looks like a slip of the pen. It is taken all the
// same from who says that it is meant.
type DoubtError struct{ Words string }

func (e *DoubtError) Error() string { return e.Words }

// farOff is how many times the maximum of a gap, or the thickness of a new
// lining, is more than anybody means.
const farOff = 2

// Doubt is a [DoubtError] where an entry for a brake looks wrong, and nil
// otherwise: what no brake of these limits has, or no adjuster of this kind can
// have been moved by.
func Doubt(e analysis.Entry, s analysis.Settings) error {
	limits := s.Limits
	far := func(gap float64) bool { return limits.MaxMM > 0 && gap > farOff*limits.MaxMM }
	doubt := func(format string, args ...any) error {
		return &DoubtError{fmt.Sprintf(format, args...) + "; look at unit, decimal point and brake"}
	}
	switch e.Kind {
	case analysis.Reading:
		if far(e.GapMM) {
			return doubt("a gap of %s mm is more than twice the maximum of %s, which is %s mm", figures.Fixed(e.GapMM, 2), s.Name, figures.Fixed(limits.MaxMM, 2))
		}
	case analysis.Adjustment:
		step, ok := s.Adjuster.Step()
		if moved := math.Abs(float64(e.Steps)) * step.MM; ok && limits.MaxMM > 0 && moved > limits.MaxMM {
			return doubt("%d steps of %s mm each are %s mm, and the largest gap that %s may have is %s mm", e.Steps, figures.Fixed(step.MM, 2), figures.Fixed(moved, 1), s.Name, figures.Fixed(limits.MaxMM, 2))
		}
	case analysis.LiningFitted:
		if new := s.Lining.ThicknessMM; new > 0 && e.ThicknessMM > farOff*new {
			return doubt("a lining of %s mm is more than twice as thick as a new one of %s, which has %s mm", figures.Fixed(e.ThicknessMM, 1), s.Name, figures.Fixed(new, 1))
		}
		if least := s.Lining.MinimumMM; least > 0 && e.ThicknessMM < least {
			return doubt("a new lining of %s mm is thinner than the least that %s may have, which is %s mm", figures.Fixed(e.ThicknessMM, 1), s.Name, figures.Fixed(least, 1))
		}
		if far(e.GapMM) {
			return doubt("a gap of %s mm is more than twice the maximum of %s, which is %s mm", figures.Fixed(e.GapMM, 2), s.Name, figures.Fixed(limits.MaxMM, 2))
		}
	}
	return nil
}

// Doubt is that of [Doubt] for the brake.
func (b BrakeRecord) Doubt(e analysis.Entry) error { return Doubt(e, b.settings) }

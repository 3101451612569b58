package simulator

import (
	"math"
	"testing"

	"gapward/sensors"
)

func TestScaleInvertsTheWiring(t *testing.T) {
	for _, w := range []sensors.Wiring{
		{Raw: []float64{0, 4095}, MM: []float64{0, 10}},
		{Raw: []float64{0, 27648}, MM: []float64{5, 0}, Type: sensors.S16},
		{Raw: []float64{4000, 20000}, MM: []float64{-2, 3}, Type: sensors.U32},
		{Raw: []float64{0, 1}, MM: []float64{0, 1}, Type: sensors.F32},
		{Raw: []float64{0, 1000, 3000, 4000}, MM: []float64{0, 2, 8, 10}},
		{Raw: []float64{4000, 3000, 1000, 0}, MM: []float64{0, 2, 8, 10}, Type: sensors.S16},
		{Raw: []float64{0, 4095}, Coefficients: []float64{0.5, 1.8e-3, 1.5e-7}},
		{Raw: []float64{0, 4095}, Coefficients: []float64{9, -2.2e-3}, Type: sensors.U32},
		{Raw: []float64{0, 27648}, Milliamps: []float64{4, 20}, MM: []float64{0, 10}, Type: sensors.S16},
		{Raw: []float64{5530, 27648}, Milliamps: []float64{4, 20}, MM: []float64{0, 10}},
		{Raw: []float64{4, 20}, Milliamps: []float64{4, 20}, MM: []float64{0, 10}, Type: sensors.F32},
		{Topic: "t", Raw: []float64{4, 20}, MM: []float64{0, 5}},
	} {
		sc := NewScale(sensors.Travel, w)
		lo, hi, _ := w.Span(sensors.Travel)
		for i := range 1000 {
			v := lo + (hi-lo)*float64(i)/999
			raw := sc.Raw(v)
			got, doubt := w.Read(sensors.Travel, raw)
			if doubt != "" {
				t.Fatalf("%+v: %g is encoded as %g, and read as doubtful: %s", w, v, raw, doubt)
			}
			if math.Abs(got-v) > w.ResolutionMM()/2+1e-6*math.Abs(hi-lo) {
				t.Fatalf("%+v: %g comes back as %g", w, v, got)
			}
			if w.ResolutionMM() > 0 && raw != math.Trunc(raw) {
				t.Fatalf("%+v: raw value %g is no whole number", w, raw)
			}
		}
		if _, ok := w.Scale(sensors.Travel, sc.Broken()); ok {
			t.Errorf("%+v: a broken wire's raw value %g counts as a reading", w, sc.Broken())
		}
	}
}

func TestScaleSaturatesAtItsType(t *testing.T) {
	sc := NewScale(sensors.Travel, sensors.Wiring{Raw: []float64{0, 65535}, MM: []float64{0, 10}})
	if a, b := sc.Raw(-1), sc.Raw(12); a != 0 || b != 65535 {
		t.Errorf("beyond its ends it reads %g and %g, it should be 0 and 65535", a, b)
	}
}

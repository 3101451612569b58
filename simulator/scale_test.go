package simulator

import (
	"math"
	"testing"

	"gapward/sensors"
)

func TestScaleInvertsTheWiring(t *testing.T) {
	for _, w := range []sensors.Wiring{
		{Raw: [2]float64{0, 4095}, MM: [2]float64{0, 10}},
		{Raw: [2]float64{0, 27648}, MM: [2]float64{5, 0}, Type: sensors.S16},
		{Raw: [2]float64{4000, 20000}, MM: [2]float64{-2, 3}, Type: sensors.U32},
		{Raw: [2]float64{0, 1}, MM: [2]float64{0, 1}, Type: sensors.F32},
		{Topic: "t", Raw: [2]float64{4, 20}, MM: [2]float64{0, 5}},
	} {
		sc := NewScale(sensors.Travel, w)
		lo, hi := math.Min(w.MM[0], w.MM[1]), math.Max(w.MM[0], w.MM[1])
		for i := range 1000 {
			v := lo + (hi-lo)*float64(i)/999
			raw := sc.Raw(v)
			want, ok := w.Scale(sensors.Travel, raw)
			got, gotOK := sc.value(raw)
			if got != want || gotOK != ok || !ok {
				t.Fatalf("%+v: raw %g is read as %g, %v; the wiring says %g, %v", w, raw, got, gotOK, want, ok)
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
	sc := NewScale(sensors.Travel, sensors.Wiring{Raw: [2]float64{0, 65535}, MM: [2]float64{0, 10}})
	if a, b := sc.Raw(-1), sc.Raw(12); a != 0 || b != 65535 {
		t.Errorf("beyond its ends it reads %g and %g, it should be 0 and 65535", a, b)
	}
}

package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A belief that was kept is what it was to six digits: also what is known of the
// rate given the extra, and of the gap given both, where that is a hundred-millionth of
// what is known of each alone.
func TestKeptBeliefsLoseNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	near := func(what string, got, want, of float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-6*of) {
			t.Errorf("%s is %g, was %g", what, got, want)
		}
	}
	for i := range 2000 {
		tiny := math.Pow(10, -4*r.Float64())
		sd := func(usual float64) float64 { return usual * math.Exp(r.NormFloat64()) }
		l11, l21, l31 := sd(1e-5), sd(6e-5), sd(1e-3)
		l22, l32, l33 := l21*tiny, l31*r.NormFloat64(), l31*tiny
		if i%10 == 0 { // a lining that doesn't run in has no extra
			l21, l22, l32 = 0, 0, 0
		}
		was := belief{g: 1.5 + r.Float64(), m: 1e-5 * r.NormFloat64(), b: 6e-5 * r.NormFloat64(), fit: -10 * r.Float64(),
			mm: l11 * l11, mb: l11 * l21, bb: l21*l21 + l22*l22, gm: l11 * l31, gb: l21*l31 + l22*l32, gg: l31*l31 + l32*l32 + l33*l33}
		var f filter
		f.keep(&was)
		is := f.belief()
		near("g", is.g, was.g, was.g)
		near("m", is.m, was.m, math.Abs(was.m))
		near("b", is.b, was.b, math.Abs(was.b))
		near("fit", is.fit, was.fit, 10)
		near("mm", is.mm, was.mm, was.mm)
		near("mb", is.mb, was.mb, math.Abs(was.mb))
		near("bb", is.bb, was.bb, was.bb)
		near("gm", is.gm, was.gm, math.Abs(was.gm))
		near("gb", is.gb, was.gb, math.Sqrt(was.gg*was.bb))
		near("gg", is.gg, was.gg, was.gg)
		if l22 == 0 {
			continue
		}
		near("the extra given the rate", is.bb-is.mb*is.mb/is.mm, l22*l22, 10*l22*l22)
		given := func(b belief) float64 { // variance of the gap given rate and extra
			return b.gg - (b.gm*b.gm*b.bb-2*b.gm*b.gb*b.mb+b.gb*b.gb*b.mm)/(b.mm*b.bb-b.mb*b.mb)
		}
		if tiny > 1e-2 { // else the arithmetic of this check itself is no better
			near("the gap given both", given(is), l33*l33, 10*l33*l33)
		}
	}
}

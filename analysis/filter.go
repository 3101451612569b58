package analysis

import "math"

// filter is a belief as it is kept, in half of the memory: its covariance as a
// triangular root of single precision. The root's small entries are what can't be
// told from rate and extra together, and are kept to as many digits as the large
// ones; so a belief that is kept and taken back is never an impossible one, as a
// rounded covariance might be (P. S. Maybeck, Stochastic Models, Estimation, and
// Control 1, 1979, section 7.1).
type filter struct {
	g, m, b      float32
	rm, rmb, rb  float32 // root of rate and extra …
	rmg, rbg, rg float32 // … and the gap's row of it
	fit          float32 // only differences count, and those of the likeliest are small
}

// keep takes a belief.
func (f *filter) keep(b *belief) {
	rm := math.Sqrt(math.Max(b.mm, 0))
	rmb, rmg := over(b.mb, rm), over(b.gm, rm)
	rb := 0.0
	if rest := b.bb - rmb*rmb; rest > b.bb*rounding {
		rb = math.Sqrt(rest)
	}
	rbg := over(b.gb-rmb*rmg, rb)
	rg := math.Sqrt(math.Max(b.gg-rmg*rmg-rbg*rbg, 0))
	*f = filter{
		g: float32(b.g), m: float32(b.m), b: float32(b.b), fit: float32(b.fit),
		rm: float32(rm), rmb: float32(rmb), rb: float32(rb), rmg: float32(rmg), rbg: float32(rbg), rg: float32(rg),
	}
}

// rounding is what may be left of a variance by the arithmetic alone, as a part of
// it.
const rounding = 1e-14

func over(v, root float64) float64 {
	if root == 0 {
		return 0
	}
	return v / root
}

// belief is what was kept.
func (f *filter) belief() belief {
	rm, rmb, rb, rmg, rbg, rg := float64(f.rm), float64(f.rmb), float64(f.rb), float64(f.rmg), float64(f.rbg), float64(f.rg)
	return belief{
		g: float64(f.g), m: float64(f.m), b: float64(f.b), fit: float64(f.fit),
		mm: rm * rm, mb: rm * rmb, bb: rmb*rmb + rb*rb,
		gm: rm * rmg, gb: rmb*rmg + rb*rbg, gg: rmg*rmg + rbg*rbg + rg*rg,
	}
}

package analysis

import "math"

// runLength works out the average run length of a one-sided CUSUM of a score
// ψ(Z), Z ~ N(shift, 1): S ← max(0, S + ψ(Z) − k), alarm beyond h, from S = 0.
// With ψ the identity it is the ordinary tabular CUSUM.
//
// It solves Page's integral equation
//
//	L(s) = 1 + L(0)·P(s + ψ − k ≤ 0) + ∫₀ʰ L(y)·f(y + k − s) dy
//
// by Gauss–Legendre quadrature (Nyström's method). Where ψ is bounded, values
// of Z beyond the bounds come as atoms, for which L is interpolated by the
// equation itself (E. S. Page, Continuous inspection schemes, Biometrika 41,
// 1954; D. Brook, D. A. Evans, Biometrika 59, 1972, for the discrete form).
type runLength struct {
	k, h  float64
	score score
}

// score bounds a standardised value: beyond bound it counts as bound, and
// beyond gross only as doubt, as it is more likely a bad reading than a change.
// The zero score leaves every value as it is.
type score struct{ bound, gross, doubt float64 }

func (c score) of(z float64) float64 {
	a := math.Abs(z)
	switch {
	case c.bound == 0 || a <= c.bound:
		return z
	case a <= c.gross:
		return math.Copysign(c.bound, z)
	}
	return math.Copysign(c.doubt, z)
}

// arlNodes is the order of the quadrature.
const arlNodes = 80

// oneSided is the average run length of the upper side with the mean shifted.
func (r runLength) oneSided(shift float64) float64 {
	x, w := gaussLegendre(arlNodes, 0, r.h)
	// Unknown: L at the nodes, at zero, and where an atom lands from zero on.
	// Atoms jump by a fixed amount, so that L is needed off the nodes: it is
	// taken from the interpolant through the nodes.
	n := arlNodes + 1 // index arlNodes is s = 0
	at := func(i int) float64 {
		if i == arlNodes {
			return 0
		}
		return x[i]
	}
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n+1)
		s := at(i)
		a[i][i], a[i][n] = 1, 1
		lo, hi := math.Inf(-1), math.Inf(1) // of ψ where it is continuous
		if r.score.bound > 0 {
			lo, hi = -r.score.bound, r.score.bound
		}
		// To zero: continuous part up to ψ = k − s, and the lower atoms.
		a[i][arlNodes] -= r.mass(lo, math.Min(r.k-s, hi), shift)
		for j := range arlNodes {
			if v := x[j] + r.k - s; v > lo && v < hi {
				a[i][j] -= w[j] * normalPDF(v-shift)
			}
		}
		for _, atom := range r.score.atoms(shift) {
			to := s + atom.at - r.k
			switch {
			case to > r.h:
			case to <= 0:
				a[i][arlNodes] -= atom.p
			default:
				for j, c := range lagrangeNear(x, to) {
					a[i][j] -= atom.p * c
				}
			}
		}
	}
	return solve(a)[arlNodes]
}

// twoSided is the average run length of both sides together; for sides that
// can't be up both at once 1/L = 1/L⁺ + 1/L⁻ (K. W. Kemp, Applied Statistics
// 10, 1961).
func (r runLength) twoSided(shift float64) float64 {
	return 1 / (1/r.oneSided(shift) + 1/r.oneSided(-shift))
}

// decisionInterval is the h at which a two-sided CUSUM without a change runs
// for want on average.
func decisionInterval(k, want float64, c score) float64 {
	lo, hi := 0.1, 1.0
	for (runLength{k, hi, c}).twoSided(0) < want {
		lo, hi = hi, hi*1.5
	}
	for hi-lo > 1e-9*hi {
		mid := lo + (hi-lo)/2
		if (runLength{k, mid, c}).twoSided(0) < want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

type atom struct{ at, p float64 }

// atoms are the values that a bounded score takes with finite probability.
func (c score) atoms(shift float64) []atom {
	if c.bound == 0 {
		return nil
	}
	between := func(lo, hi float64) float64 { return normalCDF(hi-shift) - normalCDF(lo-shift) }
	return []atom{
		{c.bound, between(c.bound, c.gross)}, {-c.bound, between(-c.gross, -c.bound)},
		{c.doubt, normalCDF(shift - c.gross)}, {-c.doubt, normalCDF(-c.gross - shift)},
	}
}

// mass is the probability of the continuous part of the score between lo and
// hi.
func (r runLength) mass(lo, hi, shift float64) float64 {
	if hi <= lo {
		return 0
	}
	return normalCDF(hi-shift) - normalCDF(lo-shift)
}

func normalPDF(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

// gaussLegendre are the nodes and weights of order n on lo to hi, the roots of
// the Legendre polynomial by Newton's method.
func gaussLegendre(n int, lo, hi float64) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	for i := range n {
		z := math.Cos(math.Pi * (float64(i) + 0.75) / (float64(n) + 0.5))
		var slope float64
		for range 100 {
			p0, p1 := 1.0, z
			for k := 2; k <= n; k++ {
				p0, p1 = p1, ((2*float64(k)-1)*z*p1-(float64(k)-1)*p0)/float64(k)
			}
			slope = float64(n) * (z*p1 - p0) / (z*z - 1)
			step := p1 / slope
			z -= step
			if math.Abs(step) < 1e-15 {
				break
			}
		}
		x[i] = lo + (hi-lo)*(1-z)/2
		w[i] = (hi - lo) / ((1 - z*z) * slope * slope)
	}
	return x, w
}

// lagrangeNear are the weights of the nodes x for the value at a point: the
// polynomial through the six nearest.
func lagrangeNear(x []float64, at float64) []float64 {
	const order = 6
	c := make([]float64, len(x))
	first := 0
	for first+order < len(x) && math.Abs(x[first+order]-at) < math.Abs(x[first]-at) {
		first++
	}
	for i := first; i < first+order; i++ {
		c[i] = 1
		for j := first; j < first+order; j++ {
			if j != i {
				c[i] *= (at - x[j]) / (x[i] - x[j])
			}
		}
	}
	return c
}

// solve solves the linear equations whose rows are coefficients followed by
// the right side, by elimination with row pivots. It works in a.
func solve(a [][]float64) []float64 {
	n := len(a)
	for c := range n {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		a[c], a[p] = a[p], a[c]
		for r := c + 1; r < n; r++ {
			f := a[r][c] / a[c][c]
			if f == 0 {
				continue
			}
			for k := c; k <= n; k++ {
				a[r][k] -= f * a[c][k]
			}
		}
	}
	x := make([]float64, n)
	for c := n - 1; c >= 0; c-- {
		x[c] = a[c][n]
		for k := c + 1; k < n; k++ {
			x[c] -= a[c][k] * x[k]
		}
		x[c] /= a[c][c]
	}
	return x
}

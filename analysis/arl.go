package analysis

import "math"

// runLength works out the average run length of a one-sided CUSUM of a score
// ψ(Z), Z ~ N(shift, 1): S ← max(0, S + ψ(Z) − k), alarm beyond h, from S = 0.
// With ψ the identity it is the ordinary tabular CUSUM.
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

// oneSided is the average run length of the upper side with the mean shifted.
func (r runLength) oneSided(shift float64) float64 {
	if r.score.bound > 0 {
		return r.bounded(shift)
	}
	return r.plain(shift)
}

// plain solves Page's integral equation
//
//	L(s) = 1 + L(0)·Φ(k − s) + ∫₀ʰ L(y)·φ(y + k − s) dy
//
// by Gauss–Legendre quadrature (Nyström's method; E. S. Page, Continuous
// inspection schemes, Biometrika 41, 1954).
func (r runLength) plain(shift float64) float64 {
	const nodes = 40
	x, w := gaussLegendre(nodes, 0, r.h)
	a := make([][]float64, nodes+1) // the last unknown is L(0)
	for i := range a {
		s := 0.0
		if i < nodes {
			s = x[i]
		}
		a[i] = make([]float64, nodes+2)
		a[i][i], a[i][nodes+1] = 1, 1
		a[i][nodes] -= normalCDF(r.k - s - shift)
		for j := range nodes {
			a[i][j] -= w[j] * normalPDF(x[j]+r.k-s-shift)
		}
	}
	return solve(a)[nodes]
}

// bounded is the run length of a bounded score, which has atoms and makes L
// jump: the Markov chain of D. Brook and D. A. Evans (Biometrika 59, 1972) on
// states that are multiples of a small width, an atom shared between the two
// states that it falls between.
func (r runLength) bounded(shift float64) float64 {
	const states = 140
	width := 2 * r.h / (2*states - 1)
	b := r.score.bound
	below := func(v float64) float64 { // of the continuous part, from −b
		return normalCDF(math.Max(-b, math.Min(b, v))-shift) - normalCDF(-b-shift)
	}
	// step[j] is the probability to go up by j − states + 1 states.
	var step, atom [2 * states]float64
	for j := range step {
		v := float64(j-states+1)*width + r.k
		step[j] = below(v+width/2) - below(v-width/2)
	}
	between := func(lo, hi float64) float64 { return normalCDF(hi-shift) - normalCDF(lo-shift) }
	for _, a := range []struct{ at, p float64 }{
		{b, between(b, r.score.gross)}, {r.score.doubt, normalCDF(shift - r.score.gross)},
	} {
		at := (a.at-r.k)/width + states - 1
		i := math.Floor(at)
		if j := int(i); j >= 0 && j+1 < len(atom) {
			atom[j] += a.p * (1 - (at - i))
			atom[j+1] += a.p * (at - i)
		}
	}
	// What falls by more than any state ends at zero.
	fallen := between(-r.score.gross, -b) + normalCDF(-r.score.gross-shift)
	a := make([][]float64, states)
	for i := range a {
		a[i] = make([]float64, states+1)
		a[i][i], a[i][states] = 1, 1
		a[i][0] -= below(r.k-float64(i)*width+width/2) + fallen
		for j := range states {
			if to := j - i + states - 1; j > 0 {
				a[i][j] -= step[to] + atom[to]
			} else {
				a[i][0] -= atom[to]
			}
		}
	}
	return solve(a)[0]
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
	return intervalBySecant(2/k, 3/k, 2*want, func(h float64) float64 { // both sides alike
		return (runLength{k, h, c}).oneSided(0)
	})
}

// intervalBySecant is the h at which run is want. The logarithm of the run
// length is nearly straight in h, so that the secant finds it in a few steps.
func intervalBySecant(h0, h1, want float64, run func(h float64) float64) float64 {
	off := func(h float64) float64 { return math.Log(run(h) / want) }
	f0, f1 := off(h0), off(h1)
	for range 30 {
		h := math.Max(h1-f1*(h1-h0)/(f1-f0), h1/4)
		h0, f0, h1, f1 = h1, f1, h, off(h)
		if math.Abs(f1) < 1e-9 || h1 == h0 {
			break
		}
	}
	return h1
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

package analysis

import "math"

// Neighbouring gaps share a set level: the one after a cycle is the one before
// the next. What is wrong with it is in both, so that the errors of gaps are a
// moving average of two, e = (a + θa′)/√(1+θ²), correlated from one gap to the
// next by ρ = θ/(1+θ²) and no further. Were the seats all that scatters, ρ
// would be a half. A CUSUM takes two errors of the same sign for more than they
// say, so its decision interval must grow with ρ.

// neighbours learns ρ from standardised errors of gaps.
type neighbours struct {
	square, product float64 // sums that forget
	last            float64 // the latest error
	lastWork        int64   // … and its cycle; 0 none
}

const (
	neighbourMemory = 3000 // cycles
	neighbourPrior  = 15   // cycles that what is believed before any counts as
	usualRho        = 0.15 // … which is little
	neighbourBound  = 3.0  // beyond this an error says no more
)

// learn takes the standardised error of the gap of a cycle. What lies beyond
// reason, or is no number, is left out with the pairs that it is in.
func (n *neighbours) learn(z float64, work int64) {
	if !(math.Abs(z) <= rejectedSDs) {
		n.lastWork = 0
		return
	}
	z = math.Max(-neighbourBound, math.Min(neighbourBound, z))
	if n.lastWork > 0 && n.lastWork == work-1 {
		keep := 1 - 1.0/neighbourMemory
		n.square = keep*n.square + (z*z+n.last*n.last)/2
		n.product = keep*n.product + z*n.last
	}
	n.last, n.lastWork = z, work
}

// rho is the correlation of neighbours, from 0 to ½. Chance alone makes one of
// 1/√n of n pairs; what it makes is taken off, as the positive part of C. Stein's
// estimator does (Proceedings of the Third Berkeley Symposium 1, 1956; from
// memory).
func (n *neighbours) rho() float64 {
	seen := n.product
	if seen > 0 {
		seen = math.Max(0, seen-n.square/seen)
	}
	return math.Max(0, math.Min(0.5, (neighbourPrior*usualRho+seen)/(neighbourPrior+n.square)))
}

// thetaOf is the moving average that correlates neighbours by rho, from 0 to ½.
func thetaOf(rho float64) float64 {
	if rho <= 0 {
		return 0
	}
	return (1 - math.Sqrt(math.Max(0, 1-4*rho*rho))) / (2 * rho)
}

// intervalFor is the h at which the two-sided chart runs for want cycles where
// neighbours are correlated by rho. The run length of
// so coarse a chain goes up by small jumps, at which a secant would circle, so
// that the interval is halved instead, from that of the plain chart to its double.
func (r runLength) intervalFor(rho, want float64) float64 {
	lo, hi := r.h, 2*r.h
	for range 10 {
		if r.h = (lo + hi) / 2; r.correlated(rho) < 2*want {
			lo = r.h
		} else {
			hi = r.h
		}
	}
	return (lo + hi) / 2
}

const (
	chartStates = 64
	chartNodes  = 31
	chartFar    = 4.6 // standard deviations to which the latest a is followed
)

// correlated is the average run length without a change of a one-sided CUSUM
// whose values are correlated by rho between neighbours, once it has run for a
// while. Chart and latest a are a Markov chain of two coordinates, after
// D. Brook and D. A. Evans (Biometrika 59, 1972); the run length is 1/(1−λ) of
// its greatest eigenvalue, found by iteration. Between two states a chart's
// value is shared.
func (r runLength) correlated(rho float64) float64 {
	theta := thetaOf(rho)
	norm := 1 / math.Sqrt(1+theta*theta)
	var at, p [chartNodes]float64
	var sum float64
	for i := range at {
		at[i] = chartFar * (2*float64(i)/(chartNodes-1) - 1)
		p[i] = normalPDF(at[i])
		sum += p[i]
	}
	var now, next [chartNodes][chartStates + 1]float64
	for i := range p {
		p[i] /= sum
		now[i][0] = p[i]
	}
	var left float64
	for n := range 300 {
		next = [chartNodes][chartStates + 1]float64{}
		for i := range now {
			for j := range next {
				m := (r.score.of((at[j]+theta*at[i])*norm) - r.k) * chartStates / r.h
				moveAlong(&now[i], &next[j], m, p[j])
			}
		}
		before := left
		left = 0
		for i := range next {
			for _, mass := range next[i] {
				left += mass
			}
		}
		for i := range next {
			for s := range next[i] {
				next[i][s] /= left
			}
		}
		now = next
		// Nothing has risen far enough to be lost in the first few.
		if n > 5 && math.Abs(left-before) < 1e-6*(1-left) {
			break
		}
	}
	return 1 / (1 - left)
}

// moveAlong adds p times the mass in from, moved by so many states, to to: what
// falls below the first state stays there, what rises beyond the last is gone.
func moveAlong(from, to *[chartStates + 1]float64, by, p float64) {
	whole := math.Floor(by)
	part, shift := by-whole, int(whole)
	for s, mass := range from {
		switch t := s + shift; {
		case t < 0:
			to[0] += mass * p
		case t < chartStates:
			to[t] += mass * p * (1 - part)
			to[t+1] += mass * p * part
		}
	}
}

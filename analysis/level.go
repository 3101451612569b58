package analysis

import "math"

// level is a plateau of the travel.
type level struct {
	MM    float64
	U     float64 // standard uncertainty: scatter with its autocorrelation, and quantisation
	MidNS int64   // mean time of the readings
	N     int
	SD    float64 // of one reading
	From  int     // the readings used, in the trace
	To    int
	Spike int // readings left out
}

// maxLag is how far the noise of a plateau is looked at.
const maxLag = 12

// noise is what earlier plateaus of one kind taught about the scatter of a
// reading: its autocovariances, averaged over cycles. A running motor's ripple
// is not white, and one short plateau says little about it.
type noise struct {
	cov     [maxLag + 1]float64
	weights float64
}

// learn folds in the residuals of a plateau.
func (n *noise) learn(res []float64) {
	if len(res) < 2*maxLag {
		return
	}
	n.weights = math.Min(n.weights+1, 40)
	gain := 1 / n.weights
	for lag := range n.cov {
		n.cov[lag] += gain * (autocovariance(res, lag) - n.cov[lag])
	}
}

// autocovariance of residuals about zero, with divisor n (which keeps the
// sequence positive definite; Priestley, Spectral Analysis and Time Series,
// 5.3, from memory).
func autocovariance(res []float64, lag int) float64 {
	var sum float64
	for i := lag; i < len(res); i++ {
		sum += res[i] * res[i-lag]
	}
	return sum / float64(len(res))
}

// meanVariance is the variance of the mean of n readings whose
// autocovariances at lags 0, 1, … are cov, continued beyond by the
// autoregression that they imply:
//
//	var = (1/n) [γ₀ + 2 Σ (1 − k/n) γ_k], k = 1 … n−1.
func meanVariance(cov []float64, n int) float64 {
	g0 := cov[0]
	if g0 <= 0 || n <= 0 {
		return 0
	}
	phi, p, innovation := levinson(cov)
	var last [maxLag]float64 // γ_{k−1}, γ_{k−2}, …
	last[0] = g0
	sum := g0
	for k := 1; k <= min(n-1, 400); k++ {
		var g float64
		switch {
		case p == 0:
		case k <= p:
			g = cov[k]
		default:
			for i := range p {
				g += phi[i] * last[i]
			}
		}
		copy(last[1:], last[:maxLag-1])
		last[0] = g
		sum += 2 * (1 - float64(k)/float64(n)) * g
	}
	// Ripple that cancels out in theory never does so wholly: no better than
	// half the white part.
	return math.Max(sum, 0.5*innovation) / float64(n)
}

// levinson is the autoregression that has the given autocovariances, of the
// order that pays for itself: one more coefficient must take a hundredth off
// the innovation's variance (Levinson–Durbin recursion).
func levinson(cov []float64) (phi [maxLag]float64, order int, innovation float64) {
	var a, prev [maxLag]float64
	e, bestE := cov[0], cov[0]
	for p := 1; p < len(cov); p++ {
		acc := cov[p]
		for i := 1; i < p; i++ {
			acc -= prev[i-1] * cov[p-i]
		}
		if e <= 1e-12*cov[0] {
			break
		}
		k := acc / e
		if math.Abs(k) >= 1 {
			break
		}
		a[p-1] = k
		for i := 1; i < p; i++ {
			a[i-1] = prev[i-1] - k*prev[p-i-1]
		}
		e *= 1 - k*k
		prev = a
		if e < 0.99*bestE {
			phi, bestE, order = a, e, p
		}
	}
	return phi, order, bestE
}

// quantisationU is the standard uncertainty that a reading's step q leaves in
// the mean of readings that scatter by sd. Without scatter it is q/√12
// (JCGM 100:2008, F.2.2.1). Scatter of half a step and more dithers it away:
// averaged over where in its step the level lies, the variance left is that of
// the rounding error's Fourier series, Σ (q·exp(−2π²k²sd²/q²)/(πk))²/2.
func quantisationU(q, sd float64) float64 {
	if q <= 0 {
		return 0
	}
	r := sd / q
	if r < 0.01 {
		return q / math.Sqrt(12)
	}
	var sum float64
	for k := 1.0; k <= 40; k++ {
		a := math.Exp(-2*math.Pi*math.Pi*k*k*r*r) / (math.Pi * k)
		sum += a * a / 2
		if a < 1e-9 {
			break
		}
	}
	return q * math.Sqrt(sum)
}

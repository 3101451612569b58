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
	cov    [maxLag + 1]float64
	weight [maxLag + 1]float64 // readings that each rests on
	slow   float64             // variance of slow changes within a plateau, over what cov says …
	slows  float64             // … and plateaus that it rests on
}

const (
	noiseMin    = 8    // readings from which a plateau teaches
	noiseMemory = 4000 // readings over which it forgets, but ten plateaus at least
	noiseKnown  = 500  // readings from which the scatter is known well
	slowMin     = 30   // readings in which slow changes can be seen
	slowPrior   = 30   // plateaus that it takes to believe them
	slowMemory  = 1000
)

// learn folds in the residuals of a plateau. Fitting the level takes a reading's
// worth of variance out of them at every lag, and fitting a sine that turns by
// so much from one reading to the next (0: none was) two more in its own rhythm.
func (n *noise) learn(res []float64, turn float64) {
	count := float64(len(res))
	if count < noiseMin {
		return
	}
	most := math.Max(noiseMemory, 10*count)
	var first float64
	all := autocovariances(res)
	for lag := 0; lag <= min(maxLag, len(res)/2); lag++ {
		c := all[lag]
		lost := 1.0
		if turn != 0 {
			lost += 2 * math.Cos(turn*float64(lag))
		}
		if lag == 0 {
			c *= count / math.Max(count-lost, 1)
			first = c
		} else {
			c += first * lost / count
		}
		n.weight[lag] = math.Min(n.weight[lag]+count, most)
		n.cov[lag] += count / n.weight[lag] * (c - n.cov[lag])
	}
}

// contrast compares the means of three thirds of a plateau, for a pair of
// figures of each reading: the middle one less the mean of the outer two, which a
// steady drift leaves alone.
type contrast struct{ middle, outer [2]float64 }

// add takes the figures of reading i of n.
func (c *contrast) add(i, n int, a, b float64) {
	third := n / 3
	switch {
	case i >= 3*third:
	case i >= third && i < 2*third:
		c.middle[0] += a
		c.middle[1] += b
	default:
		c.outer[0] += a
		c.outer[1] += b
	}
}

// of is the contrast of both figures of n readings.
func (c *contrast) of(n int) (a, b float64) {
	third := math.Max(float64(n/3), 1)
	return (c.middle[0] - c.outer[0]/2) / third, (c.middle[1] - c.outer[1]/2) / third
}

// learnSlow compares the thirds of a plateau. What the autoregression says of
// their means is learned to be right or wrong: a vibration whose frequency is
// another in each cycle averages out better than it says. A fitted sine has taken
// so much out of the contrast, in variances of a reading.
func (n *noise) learnSlow(res []float64, inflation, taken float64) {
	if len(res) < slowMin || n.cov[0] <= 0 {
		return
	}
	third := len(res) / 3
	var sum [3]float64
	for i := range sum {
		for _, x := range res[i*third : (i+1)*third] {
			sum[i] += x
		}
	}
	d := (sum[1] - (sum[0]+sum[2])/2) / float64(third)
	says := n.cov[0] * (1.5*inflation/float64(third) - taken)
	if says <= 0 {
		return
	}
	n.slows = math.Min(n.slows+1, slowMemory)
	n.slow += (math.Min(d*d/says, 9) - n.slow) / n.slows
}

// honest is by what the variance that the autoregression says of a mean must be
// multiplied.
func (n *noise) honest() float64 {
	return (slowPrior + n.slows*n.slow) / (slowPrior + n.slows)
}

// inflation is by how much the variance of a mean of n readings exceeds that
// of independent ones.
func (n *noise) inflation(readings int) float64 {
	if n.cov[0] <= 0 || readings < 1 {
		return 1
	}
	return meanVariance(n.cov[:], readings) * float64(readings) / n.cov[0]
}

// autocovariances of residuals about zero, with divisor n (which keeps the
// sequence positive definite; Priestley, Spectral Analysis and Time Series, 5.3,
// from memory). Four lags at a time keep the processor's adders busy.
func autocovariances(res []float64) (c [maxLag + 4]float64) {
	for lag := 0; lag <= maxLag; lag += 4 {
		var c0, c1, c2, c3 float64
		for i := lag; i < min(lag+3, len(res)); i++ { // where not all four reach back
			for k := lag; k <= i; k++ {
				c[k] += res[i] * res[i-k]
			}
		}
		for i := lag + 3; i < len(res); i++ {
			x, back := res[i], res[i-lag-3:i-lag+1:i-lag+1]
			c3 += x * back[0]
			c2 += x * back[1]
			c1 += x * back[2]
			c0 += x * back[3]
		}
		c[lag] += c0
		c[lag+1] += c1
		c[lag+2] += c2
		c[lag+3] += c3
	}
	for lag := range c {
		c[lag] /= float64(len(res))
	}
	return c
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
	var last [maxLag]float64 // γ_{k−1}, γ_{k−2}, …, in a ring
	at, small := 0, 0
	last[0] = g0
	sum := g0
	for k := 1; p > 0 && k <= min(n-1, 400) && small < p; k++ {
		g := cov[min(k, p)]
		if k > p {
			g = 0
			for i := range p {
				g += phi[i] * last[(at-i+maxLag)%maxLag]
			}
		}
		at = (at + 1) % maxLag
		last[at] = g
		sum += 2 * (1 - float64(k)/float64(n)) * g
		if small++; math.Abs(g) > 1e-12*g0 { // what follows after p small ones is smaller still
			small = 0
		}
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

package analysis

import "math"

// Nodes and weights of Gauss–Hermite quadrature for a standard normal variable
// (Abramowitz and Stegun, table 25.10, n = 5 and n = 3, with x√2 and w/√π).
var (
	hermiteX  = [5]float64{-2.8569700138728056, -1.3556261799742659, 0, 1.3556261799742659, 2.8569700138728056}
	hermiteW  = [5]float64{0.011257411327720693, 0.22207592200561266, 0.53333333333333333, 0.22207592200561266, 0.011257411327720693}
	hermite3X = [3]float64{-1.7320508075688772, 0, 1.7320508075688772}
	hermite3W = [3]float64{1.0 / 6, 2.0 / 3, 1.0 / 6}
)

// Passage is the law of the work until wear reaches a limit: a Wiener process
// with drift that is known only as N(Drift, DriftSD²), diffusion Sigma² per
// unit of work and Distance to go (C.-Y. Peng, S.-T. Tseng, Mis-specification
// analysis of linear degradation models, IEEE Trans. Reliability 58(3), 2009).
// Units: any length and any work, used throughout.
type Passage struct {
	Distance float64
	Drift    float64
	DriftSD  float64
	Sigma    float64
}

// CDF is the probability that the limit is reached within work t:
//
//	F(t) = Φ((mt−D)/r) + exp(2mD/σ² + 2s²D²/σ⁴) Φ(−(2s²Dt + σ²(mt+D))/(σ²r)),
//	r = √(s²t² + σ²t).
//
// The exponential overflows where its partner vanishes, so their product is
// taken in logarithms. With σ = 0 only the first term is left.
func (p Passage) CDF(t float64) float64 {
	if p.Distance <= 0 {
		return 1
	}
	if t <= 0 {
		return 0
	}
	s2, v := p.DriftSD*p.DriftSD, p.Sigma*p.Sigma
	r := math.Sqrt(s2*t*t + v*t)
	if r == 0 {
		if p.Drift*t >= p.Distance {
			return 1
		}
		return 0
	}
	f := normalCDF((p.Drift*t - p.Distance) / r)
	if v > 0 {
		z := -(2*s2*p.Distance*t + v*(p.Drift*t+p.Distance)) / (v * r)
		a := 2*p.Drift*p.Distance/v + 2*s2*p.Distance*p.Distance/(v*v)
		f += math.Exp(a + logNormalCDF(z))
	}
	return math.Min(f, 1)
}

// Ever is the limit of the CDF for endless work. It is below one where the
// drift may be zero or negative.
func (p Passage) Ever() float64 {
	if p.Distance <= 0 {
		return 1
	}
	if p.DriftSD == 0 && p.Drift > 0 {
		return 1
	}
	return p.CDF(1e9 * math.Max(p.Distance, 1e-9) / math.Max(math.Abs(p.Drift)+p.DriftSD+p.Sigma, 1e-300))
}

// normalCDF is Φ.
func normalCDF(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// logNormalCDF is log Φ(x), in the far lower tail by the asymptotic series of
// Mills' ratio (Abramowitz and Stegun, 26.2.12).
func logNormalCDF(x float64) float64 {
	if x > -30 {
		return math.Log(normalCDF(x))
	}
	i := 1 / (x * x)
	return -x*x/2 - math.Log(-x*math.Sqrt(2*math.Pi)) + math.Log1p(-i*(1-3*i*(1-5*i)))
}

// quantileOf is the smallest t with cdf(t) >= p, for a cdf that rises; +Inf
// where it never gets there below limit. guess must be positive; tolerance is
// relative.
func quantileOf(cdf func(float64) float64, p, guess, limit, tolerance float64) float64 {
	lo, hi := 0.0, guess
	for cdf(hi) < p {
		lo = hi
		if hi >= limit {
			return math.Inf(1)
		}
		hi = math.Min(hi*2, limit)
	}
	for lo == 0 && hi > 1e-12*guess && cdf(hi/2) >= p {
		hi /= 2
	}
	for range 60 {
		if hi-lo <= tolerance*hi {
			break
		}
		mid := lo + (hi-lo)/2
		if cdf(mid) >= p {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

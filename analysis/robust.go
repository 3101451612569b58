package analysis

import (
	"math"
	"slices"
)

// madToSD makes the median absolute deviation of a normal sample an estimate
// of its standard deviation: 1/Φ⁻¹(3/4).
const madToSD = 1.482602218505602

// medianInPlace is the median of v, which it reorders. It is NaN for an empty
// v.
func medianInPlace(v []float64) float64 {
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	hi := selectInPlace(v, n/2)
	if n%2 == 1 {
		return hi
	}
	lo := slices.Max(v[:n/2])
	return (lo + hi) / 2
}

// selectInPlace puts the k-th smallest element of v (from zero) in its place
// and returns it; smaller ones end up before it (Hoare's quickselect).
func selectInPlace(v []float64, k int) float64 {
	lo, hi := 0, len(v)-1
	for lo < hi {
		pivot := v[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// medianMADInPlace is the median of v and the scaled median absolute deviation
// from it. It destroys v.
func medianMADInPlace(v []float64) (median, sd float64) {
	median = medianInPlace(v)
	for i, x := range v {
		v[i] = math.Abs(x - median)
	}
	return median, madToSD * medianInPlace(v)
}

// huber is Huber's M-estimate of location with the scale sd held fixed and
// tuning constant k, iterated from start by reweighting. The larger k, the
// nearer it is to the mean.
// Source: P. J. Huber, Robust Statistics (1981), 6.7 (from memory).
func huber(v []float64, start, sd, k float64) float64 {
	if sd <= 0 || len(v) == 0 {
		return start
	}
	mu, reach := start, k*sd
	for range 50 {
		var sum, weight float64
		for _, x := range v {
			w := 1.0
			if off := math.Abs(x - mu); off > reach {
				w = reach / off
			}
			sum += w * x
			weight += w
		}
		next := sum / weight
		if math.Abs(next-mu) < 1e-9*sd {
			return next
		}
		mu = next
	}
	return mu
}

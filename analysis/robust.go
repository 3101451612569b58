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
		a, b, c := v[lo], v[lo+(hi-lo)/2], v[hi]
		pivot := max(min(a, b), min(max(a, b), c))
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
	// What lies well within reach keeps its full weight while the estimate moves
	// but little: it is summed once.
	const slack = 0.1
	reach := k * sd
	var far [24]float64
	var inner float64
	n := 0
	for _, x := range v {
		if math.Abs(x-start) <= (1-slack)*reach {
			inner += x
			continue
		}
		if n == len(far) {
			return reweighted(v, 0, 0, start, sd, reach, math.Inf(1))
		}
		far[n] = x
		n++
	}
	if n == 0 {
		return inner / float64(len(v))
	}
	mu := reweighted(far[:n], inner, float64(len(v)-n), start, sd, reach, slack*reach)
	if math.IsNaN(mu) {
		return reweighted(v, 0, 0, start, sd, reach, math.Inf(1))
	}
	return mu
}

// reweighted iterates Huber's estimate over readings v, beside others of full
// weight with their sum. It is NaN where it moves further than they allow.
func reweighted(v []float64, inner, innerN, start, sd, reach, most float64) float64 {
	mu := start
	for range 50 {
		sum, weight := inner, innerN
		for _, x := range v {
			w := 1.0
			if off := math.Abs(x - mu); off > reach {
				w = reach / off
			}
			sum += w * x
			weight += w
		}
		next := sum / weight
		if math.Abs(next-start) > most {
			return math.NaN()
		}
		if math.Abs(next-mu) < 1e-9*sd {
			return next
		}
		mu = next
	}
	return mu
}

package simulator

import "math"

// A key names one stream of random numbers. Draws are addressed by a counter,
// not taken in turn: the i-th draw is the same whoever asks, in whatever order
// and however often. That is what makes the model a function of seed and time.
type key uint64

// golden is 2⁶⁴ divided by the golden ratio, the counter step of the generator.
const golden = 0x9E3779B97F4A7C15

// mix scrambles 64 bits so that every bit of the result depends on every bit
// of x: the finaliser of the SplitMix64 generator (Steele, Lea and Flood 2014).
func mix(x uint64) uint64 {
	x ^= x >> 30
	x *= 0xBF58476D1CE4E5B9
	x ^= x >> 27
	x *= 0x94D049BB133111EB
	return x ^ x>>31
}

// newKey derives the key of a named stream from the seed. Names rather than
// positions keep a brake's history the same whichever brakes stand beside it.
func newKey(seed uint64, name string, purpose string) key {
	h := uint64(14695981039346656037) // FNV-1a
	for _, s := range [...]string{name, "\x00", purpose} {
		for i := 0; i < len(s); i++ {
			h = (h ^ uint64(s[i])) * 1099511628211
		}
	}
	return key(mix(mix(seed+golden) ^ h))
}

// bits is the i-th draw, 64 uniform bits.
func (k key) bits(i uint64) uint64 { return mix(uint64(k) + (i+1)*golden) }

// unit is the i-th draw, uniform on (0, 1).
func (k key) unit(i uint64) float64 { return unit(k.bits(i)) }

func unit(bits uint64) float64 { return (float64(bits>>11) + 0.5) / (1 << 53) }

// logUniform is the i-th draw, between lo and hi, its logarithm uniform: short
// ones are as frequent in each octave as long ones.
func (k key) logUniform(i uint64, lo, hi float64) float64 {
	if hi <= lo {
		return lo
	}
	return lo * math.Pow(hi/lo, k.unit(i))
}

// normalSegments is the number of equally likely intervals into which the
// table divides the normal distribution.
const normalSegments = 2048

// normals turns uniform bits into standard normal values by interpolating the
// quantile function; the outermost intervals, where it bends too much for a
// straight line, are computed. A table because the history needs tens of
// millions of values a second.
type normals [normalSegments + 1]float64

func newNormals() *normals {
	var n normals
	for i := 1; i < normalSegments; i++ {
		n[i] = normalQuantile(float64(i) / normalSegments)
	}
	return &n
}

func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// from makes a standard normal value of 64 uniform bits.
func (n *normals) from(bits uint64) float64 {
	i := bits >> 53
	if i == 0 || i == normalSegments-1 {
		return normalQuantile(unit(bits))
	}
	part := float64(bits&(1<<53-1)) / (1 << 53)
	return n[i] + part*(n[i+1]-n[i])
}

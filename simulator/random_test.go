package simulator

import (
	"math"
	"testing"
)

func TestNormalsAreStandardNormal(t *testing.T) {
	n, k := newNormals(), newKey(1, "x", "y")
	const draws = 2_000_000
	var sum, square, fourth float64
	beyond := map[float64]int{1: 0, 2: 0, 3: 0, 4: 0}
	for i := range uint64(draws) {
		z := n.from(k.bits(i))
		sum, square, fourth = sum+z, square+z*z, fourth+z*z*z*z
		for limit := range beyond {
			if math.Abs(z) > limit {
				beyond[limit]++
			}
		}
	}
	// Tolerances are five standard errors of each figure.
	if m := sum / draws; math.Abs(m) > 5/math.Sqrt(draws) {
		t.Errorf("mean %.5f", m)
	}
	if v := square / draws; math.Abs(v-1) > 5*math.Sqrt(2.0/draws) {
		t.Errorf("variance %.5f", v)
	}
	if f := fourth / draws; math.Abs(f-3) > 5*math.Sqrt(96.0/draws) {
		t.Errorf("fourth moment %.5f, it should be 3", f)
	}
	for limit, count := range beyond {
		want := draws * math.Erfc(limit/math.Sqrt2)
		if math.Abs(float64(count)-want) > 5*math.Sqrt(want)+1 {
			t.Errorf("%d of %d lie beyond %g, it should be %.0f", count, draws, limit, want)
		}
	}
}

// The first outputs of SplitMix64 from the state 1234567, the test vector in
// common use for it; recomputed with another language's integers from the
// algorithm of Steele, Lea and Flood, "Fast Splittable Pseudorandom Number
// Generators", 2014.
func TestBitsAreSplitMix64(t *testing.T) {
	k := key(1234567)
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		if got := k.bits(uint64(i)); got != want {
			t.Errorf("draw %d is %d, it should be %d", i, got, want)
		}
	}
}

func TestKeysDiffer(t *testing.T) {
	seen := make(map[key]string)
	for _, seed := range []uint64{0, 1, 2} {
		for _, name := range []string{"", "a", "b", "ab"} {
			for _, purpose := range []string{"", "b", "cycles"} {
				k := newKey(seed, name, purpose)
				if other, taken := seen[k]; taken {
					t.Errorf("seed %d, %q, %q has the key of %s", seed, name, purpose, other)
				}
				seen[k] = name + "," + purpose
			}
		}
	}
}

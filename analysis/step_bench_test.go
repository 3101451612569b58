package analysis

import "testing"

// BenchmarkStep is the cost of one sample through the state machine, with the
// work at the end of a cycle spread over its samples, against a plain state
// machine that only keeps running sums.
func BenchmarkStep(b *testing.B) {
	h := newHand(evenRuns(50, 3, 2)...)
	samples := h.samples(1)
	spanNS := samples[len(samples)-1].AtNS - samples[0].AtNS + 1e9

	b.Run("analysis", func(b *testing.B) {
		brake, out := New(handSettings()), &Out{}
		var shift int64
		i := 0
		b.ReportAllocs()
		for b.Loop() {
			s := samples[i]
			s.AtNS += shift
			brake.Step(s, out)
			if !out.Empty() {
				out.Reset()
			}
			if i++; i == len(samples) {
				i, shift = 0, shift+spanNS
			}
		}
	})
	b.Run("floor", func(b *testing.B) {
		var sum [2]float64
		var n [2]int
		on := 0
		i := 0
		for b.Loop() {
			s := samples[i]
			if s.Signal == 1 {
				sum[on] += s.Value
				n[on]++
			} else {
				on = int(s.Value)
			}
			if i++; i == len(samples) {
				i = 0
			}
		}
		if n[0]+n[1] == 0 || sum[0] == 0 {
			b.Fatal("no samples")
		}
	})
}

package analysis

import (
	"testing"
	"unsafe"
)

// heldBytes is what a brake holds of its own between its cycles.
func heldBytes(b *Brake) int {
	return int(unsafe.Sizeof(*b)) + cap(b.trace.kept)*int(unsafe.Sizeof(stored{}))
}

// A small box watches a hall of brakes: what one of them needs between its
// cycles, long ones polled every 20 ms, is bounded, and a rest of half an hour
// takes no more. Scratch memory is lent by the pipeline.
func TestMemoryOfOneBrake(t *testing.T) {
	runs := evenRuns(40, 12, 12)
	h := newHand(runs...)
	h.endS += 1800
	b, out := New(handSettings()), &Out{}
	for _, s := range h.samples(3) {
		b.Step(s, out)
		out.Reset()
	}
	t.Logf("%d bytes, %d of them the trace", heldBytes(b), cap(b.trace.kept)*int(unsafe.Sizeof(stored{})))
	if size := heldBytes(b); size > 20<<10 {
		t.Errorf("a brake takes %d bytes", size)
	}
}

// What one long run took is given back once the brake is used as usual.
func TestTraceGivesMemoryBack(t *testing.T) {
	runs := append([][2]float64{{2, 100}}, evenRuns(120, 2, 1)...)
	for i := range runs[1:] {
		runs[i+1][0] += 110
		runs[i+1][1] += 110
	}
	h := newHand(runs...)
	b, out := New(handSettings()), &Out{}
	most := 0
	for _, s := range h.samples(3) {
		b.Step(s, out)
		out.Reset()
		most = max(most, cap(b.trace.kept))
	}
	if left := cap(b.trace.kept); most < 4000 || left > most/8 {
		t.Errorf("room for %d readings is kept of %d", left, most)
	}
}

// A recording that spans days, with a brake that is held released all the
// while, neither grows nor breaks the trace's short times.
func TestTraceReachesBackHoursAtMost(t *testing.T) {
	var tr trace
	const hourNS = int64(3600e9)
	for i := range 40 {
		tr.add(int64(i)*hourNS, float64(i))
		last := tr.end() - 1
		if got := tr.at(last); got != int64(i)*hourNS || tr.mm(last) != float64(i) {
			t.Fatalf("reading %d came back as %v mm at %d h", i, tr.mm(last), got/hourNS)
		}
	}
	if n := tr.len(); n < 5 || n > 13 {
		t.Errorf("%d hours kept", n)
	}
	if lo, hi := tr.span(38*hourNS, 40*hourNS); hi-lo != 2 || tr.at(lo) != 38*hourNS {
		t.Errorf("span is %d to %d", lo, hi)
	}
}

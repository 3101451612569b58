package analysis

import (
	"testing"
	"unsafe"
)

// A small box watches a hall of brakes: what one of them needs between its
// cycles, long ones polled every 20 ms, is bounded. Scratch memory is lent by
// the pipeline.
func TestMemoryOfOneBrake(t *testing.T) {
	h := newHand(evenRuns(40, 12, 12)...)
	b, out := New(handSettings()), &Out{}
	for _, s := range h.samples(3) {
		b.Step(s, out)
		out.Reset()
	}
	size := int(unsafe.Sizeof(*b)) + cap(b.trace.kept)*int(unsafe.Sizeof(stored{}))
	t.Logf("%d bytes, %d of them the trace", size, cap(b.trace.kept)*int(unsafe.Sizeof(stored{})))
	if size > 32<<10 {
		t.Errorf("a brake takes %d bytes", size)
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

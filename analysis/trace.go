package analysis

import (
	"math"
	"slices"
	"sort"
)

// trace is the travel of the recent past in the order of time. A hall has many
// brakes and a small box little memory: a reading takes eight bytes, its time
// in steps of ten microseconds and its value to seven digits.
type trace struct {
	baseNS int64 // time of what is kept as step 0
	kept   []stored
	head   int // the first that still counts

	cycles int // since its memory was last looked at …
	most   int // … and the most readings that counted at the end of one
}

type stored struct {
	step uint32
	mm   float32
}

const (
	// maxTrace bounds a trace, in readings: two minutes at 20 ms.
	maxTrace = 6000
	// timeStepNS is the step of the times. They reach twelve hours back.
	timeStepNS = 10_000
	// traceCycles are looked at before memory is given back.
	traceCycles = 50
)

func (t *trace) add(atNS int64, mm float64) {
	if n := len(t.kept); n == cap(t.kept) {
		if t.head <= n/8 {
			t.resize(n + n/8 + 64)
		}
		t.kept = slices.Delete(t.kept, 0, t.head)
		t.head = 0
	}
	if len(t.kept) == t.head { // nothing to keep up with
		t.kept, t.head, t.baseNS = t.kept[:0], 0, atNS
	}
	if atNS-t.baseNS > math.MaxUint32*timeStepNS {
		t.rebase(atNS)
	}
	t.kept = append(t.kept, stored{uint32((atNS - t.baseNS) / timeStepNS), float32(mm)})
}

// resize gives the trace memory for so many readings: no more than it needs, for
// there are many of them.
func (t *trace) resize(readings int) {
	t.kept = append(make([]stored, 0, readings), t.kept...)
}

// cycleOver looks after so many cycles whether the trace has come to need much
// less memory than it once did.
func (t *trace) cycleOver() {
	t.most = max(t.most, t.len())
	if t.cycles++; t.cycles < traceCycles {
		return
	}
	if need := t.most + t.most/4 + 64; need < cap(t.kept)/2 {
		t.kept = slices.Delete(t.kept, 0, t.head)
		t.head = 0
		t.resize(need)
	}
	t.cycles, t.most = 0, 0
}

// rebase counts time from later on, so that it reaches to atNS. What is too
// old for that is forgotten.
func (t *trace) rebase(atNS int64) {
	t.dropBefore(atNS - math.MaxUint32*timeStepNS/2)
	t.kept = slices.Delete(t.kept, 0, t.head)
	t.head = 0
	if len(t.kept) == 0 {
		t.baseNS = atNS
		return
	}
	by := t.kept[0].step
	for i := range t.kept {
		t.kept[i].step -= by
	}
	t.baseNS += int64(by) * timeStepNS
}

// at is the time of a reading and mm its value; from head to end they count.
func (t *trace) at(i int) int64   { return t.baseNS + int64(t.kept[i].step)*timeStepNS }
func (t *trace) mm(i int) float64 { return float64(t.kept[i].mm) }
func (t *trace) end() int         { return len(t.kept) }
func (t *trace) len() int         { return len(t.kept) - t.head }

// dropBefore forgets what is older than atNS.
func (t *trace) dropBefore(atNS int64) {
	for t.head < len(t.kept) && t.at(t.head) < atNS {
		t.head++
	}
}

// thin halves what lies between two times, which a brake held released for
// minutes needs: the plateau keeps its level and gets coarser.
func (t *trace) thin(fromNS, toNS int64) {
	w := t.head
	keep := true
	for i := t.head; i < len(t.kept); i++ {
		if at := t.at(i); at > fromNS && at < toNS {
			keep = !keep
			if !keep {
				continue
			}
		}
		t.kept[w] = t.kept[i]
		w++
	}
	t.kept = t.kept[:w]
}

// span is the index range of the readings with fromNS <= time < toNS.
func (t *trace) span(fromNS, toNS int64) (lo, hi int) {
	lo = t.head + sort.Search(t.len(), func(i int) bool { return t.at(t.head+i) >= fromNS })
	hi = lo + sort.Search(len(t.kept)-lo, func(i int) bool { return t.at(lo+i) >= toNS })
	return lo, hi
}

package analysis

import "sort"

// trace is the travel of the recent past in the order of time.
type trace struct {
	atNS []int64
	mm   []float64
	head int // the first that still counts
}

// maxTrace bounds a trace, in readings: two minutes at 20 ms.
const maxTrace = 6000

func (t *trace) add(atNS int64, mm float64) {
	if len(t.atNS) == cap(t.atNS) && t.head > len(t.atNS)/4 {
		n := copy(t.atNS, t.atNS[t.head:])
		copy(t.mm, t.mm[t.head:])
		t.atNS, t.mm, t.head = t.atNS[:n], t.mm[:n], 0
	}
	t.atNS = append(t.atNS, atNS)
	t.mm = append(t.mm, mm)
}

func (t *trace) len() int { return len(t.atNS) - t.head }

// dropBefore forgets what is older than atNS.
func (t *trace) dropBefore(atNS int64) {
	for t.head < len(t.atNS) && t.atNS[t.head] < atNS {
		t.head++
	}
}

// thin halves what lies between two times, which a brake held released for
// minutes needs: the plateau keeps its level and gets coarser.
func (t *trace) thin(fromNS, toNS int64) {
	w := t.head
	keep := true
	for i := t.head; i < len(t.atNS); i++ {
		if t.atNS[i] > fromNS && t.atNS[i] < toNS {
			keep = !keep
			if !keep {
				continue
			}
		}
		t.atNS[w], t.mm[w] = t.atNS[i], t.mm[i]
		w++
	}
	t.atNS, t.mm = t.atNS[:w], t.mm[:w]
}

// span is the index range of the readings with fromNS <= time < toNS.
func (t *trace) span(fromNS, toNS int64) (lo, hi int) {
	live := t.atNS[t.head:]
	lo = sort.Search(len(live), func(i int) bool { return live[i] >= fromNS })
	hi = lo + sort.Search(len(live)-lo, func(i int) bool { return live[lo+i] >= toNS })
	return t.head + lo, t.head + hi
}

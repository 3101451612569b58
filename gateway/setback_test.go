package gateway

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"gapward/gateway/store"
)

// The machine's clock is set back by two hours between two runs, so that the
// second stores cycles of times before those of the first. They are numbered in
// the order in which they happened, no time measured is another than without the
// step, and the next start knows what the second run knew.
func TestClockSetBackBetweenTwoRuns(t *testing.T) {
	l := newLife(t, 24)
	l.entries = nil
	half := len(l.samples) / 2
	live := func(back time.Duration) (r *run, cycles []store.CycleRow) {
		r = l.run(t)
		r.feed(l.samples[:half])
		r.stop()
		r.close()
		r.start()
		later := slices.Clone(l.samples[half:])
		for i := range later {
			later[i].AtNS -= int64(back)
		}
		r.feed(later)
		r.stop()
		cycles, err := r.db.CyclesAfter(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		return r, cycles
	}
	const back = 2 * time.Hour
	_, plain := live(0)
	r, stepped := live(back)
	if len(plain) < 100 || len(stepped) != len(plain) {
		t.Fatalf("%d cycles with the step, %d without", len(stepped), len(plain))
	}
	before := 0
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	// What is known of the probe's drift by the time is learned anew.
	near := func(a, b float64) bool { return same(a, b) || math.Abs(a-b) < 1e-4 }
	for i, c := range stepped {
		was := plain[i]
		if c.AtNS == was.AtNS {
			before++
		}
		if c.ID != int64(i+1) || c.Brake != was.Brake || c.AtNS != was.AtNS && c.AtNS != was.AtNS-int64(back) || c.OnNS != was.OnNS || !same(c.ReleaseS, was.ReleaseS) || !same(c.SetS, was.SetS) || !near(c.GapMM, was.GapMM) || c.Flags != was.Flags {
			t.Fatalf("cycle %d is\n%+v\nwithout the step\n%+v", i+1, c, was)
		}
	}
	if before < len(plain)/3 || before > 2*len(plain)/3 {
		t.Errorf("%d of %d cycles are of the first run", before, len(plain))
	}
	known := func() (text string) {
		for i := range r.p.lines {
			b := r.p.lines[i].brake
			text += fmt.Sprintf("%+v %+v\n", b.Verdict(), b.Latest())
		}
		return text
	}
	want := known()
	r.close()
	r.start()
	if got := known(); got != want {
		t.Errorf("started again it knows\n%s\nwant\n%s", got, want)
	}
}

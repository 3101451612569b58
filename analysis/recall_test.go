package analysis

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
)

// fleetRun feeds three brakes of one model, cycle by cycle in the order of time,
// into new state machines that share a family.
type fleetRun struct {
	lives  []*brakeLife
	brakes []*Brake
	next   []int
}

func newFleetRun(lives []*brakeLife) *fleetRun {
	f := &fleetRun{lives: lives, next: make([]int, len(lives))}
	family := NewFamily()
	for _, l := range lives {
		f.brakes = append(f.brakes, New(l.settings(family, nil)))
	}
	return f
}

// step feeds the earliest cycle not yet fed and writes what it caused.
func (f *fleetRun) step(w *bytes.Buffer) bool {
	at := -1
	for i, l := range f.lives {
		if f.next[i] < len(l.cycles) && (at < 0 || l.cycles[f.next[i]].AtNS < f.lives[at].cycles[f.next[at]].AtNS) {
			at = i
		}
	}
	if at < 0 {
		return false
	}
	var out Out
	f.brakes[at].Recall(f.lives[at].cycles[f.next[at]], &out)
	f.next[at]++
	for _, one := range out.Forecasts {
		w.Write(one.AppendJSON(nil, fmt.Sprint(at)))
	}
	if f.next[at]%50 == 0 {
		fmt.Fprintf(w, "%d %v\n", at, out.Verdicts)
	}
	for _, v := range out.Findings {
		fmt.Fprintf(w, "%d %v\n", at, v)
	}
	return true
}

// The same cycles give the same bytes, and a restart anywhere, in which the
// cycles so far are fed once more, changes nothing of what comes after: not
// even where brakes share what they learn.
func TestRestartOfAFamilyChangesNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	model := drawFleet(r)
	var lives []*brakeLife
	for range 3 {
		lives = append(lives, model.live(r))
	}
	var first, second bytes.Buffer
	one := newFleetRun(lives)
	n := 0
	for one.step(&first) {
		n++
	}
	half := n / 2
	two := newFleetRun(lives)
	for range half {
		two.step(&second)
	}
	again := newFleetRun(lives)
	var unheard bytes.Buffer
	for range half {
		again.step(&unheard)
	}
	for again.step(&second) {
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("after a restart the same cycles cause something else")
	}
	if !bytes.Contains(first.Bytes(), []byte(`"p95"`)) {
		t.Error("nothing was forecast")
	}
}

// What siblings have shown narrows the forecast of a young brake.
func TestSiblingsNarrowTheForecastOfAYoungBrake(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	model := drawFleet(r)
	family := NewFamily()
	for range 8 {
		follow(model.live(r), family, nil, nil)
	}
	var alone, among stageScore
	for range 10 {
		l := model.live(r)
		for _, one := range []struct {
			f *Family
			s *stageScore
		}{{nil, &alone}, {family.copied(), &among}} {
			var s [4]stageScore
			follow(l, one.f, nil, &s)
			one.s.cycles.widthOwn += s[0].cycles.widthOwn
		}
	}
	if !(among.cycles.widthOwn < alone.cycles.widthOwn) {
		t.Errorf("the band is %.2f wide among siblings and %.2f alone (mean logarithms)", among.cycles.widthOwn/10, alone.cycles.widthOwn/10)
	}
}

// A forecast costs less than a millisecond. The quickest of many is looked at: a
// busy machine puts some of them off, and not all.
func TestForecastIsQuick(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a second to measure")
	}
	c := newCyclesOf(6, limits())
	c.run(6000)
	least := time.Hour
	for range 500 {
		began := time.Now()
		c.b.wear.forecast("adjust", 2.8, c.atNS, &c.b.duty)
		least = min(least, time.Since(began))
	}
	t.Logf("%v a forecast", least)
	if least > 3*time.Millisecond {
		t.Errorf("a forecast takes %v, want a millisecond", least)
	}
}

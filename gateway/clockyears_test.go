package gateway

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// A box that has no clock of its own begins in 1970, or with any other time, and
// is told the right one by and by. Its history goes by neither.

// TestAClockYearsAheadCostsNoHistory begins years ahead, and has the clock put
// right later; then it is years ahead in the midst of the work. What is stored
// doesn't grow old by that. Once a clock has stood for a day it is believed.
func TestAClockYearsAheadCostsNoHistory(t *testing.T) {
	o := house(t, NewPipeline(nil, false))
	right := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC).UnixNano()
	const days, year = 40, int64(365 * 24 * time.Hour)
	var batch store.Batch
	for i := range int64(days) {
		batch.Cycles = append(batch.Cycles, store.CycleRow{Brake: "quay-2/main", Cycle: analysis.Cycle{AtNS: right - (days-i)*int64(24*time.Hour), Kind: analysis.Full, GapMM: 2}})
	}
	if err := o.db.Commit(t.Context(), &batch); err != nil {
		t.Fatal(err)
	}
	if err := o.began(t.Context(), right); err != nil {
		t.Fatal(err)
	}
	passed := time.Duration(0)
	// on lets time pass, with the clock so far ahead.
	on := func(ahead int64, lasts time.Duration) (cycles int) {
		t.Helper()
		for end := passed + lasts; passed < end; passed += 10 * time.Minute {
			o.turn(context.Background(), moment{right + ahead + int64(passed), passed})
		}
		rows, err := o.db.CyclesAfter(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		return len(rows)
	}
	for _, c := range []struct {
		when  string
		ahead int64
		lasts time.Duration
		want  int
	}{
		{"years ahead from the start", 50 * year, 12 * time.Hour, days},
		{"put right", 0, 48 * time.Hour, days},
		{"years ahead once more", 10 * year, 12 * time.Hour, days},
		{"further still", 20 * year, 12 * time.Hour, days},
		{"and that for more than a day", 20 * year, 48 * time.Hour, 0},
	} {
		if n := on(c.ahead, c.lasts); n != c.want {
			t.Errorf("%s: %d cycles are kept, want %d", c.when, n, c.want)
		}
	}
}

// TestBootsIn1970 has a box that ran in 2026 boot in 1970, measure, and be set to
// 2026 in the midst of it: but for what is under way at the step, the cycles are
// those of a box whose clock was right, in their order; what it says of them as
// well; and the next start knows what this one knew.
func TestBootsIn1970(t *testing.T) {
	l := newLife(t, 24)
	l.entries = nil
	third := len(l.samples) / 3
	live := func(back time.Duration) (r *run, cycles []store.CycleRow) {
		r = l.run(t)
		r.feed(l.samples[:third])
		r.stop()
		r.close()
		r.start()
		early := slices.Clone(l.samples[third : 2*third])
		for i := range early {
			early[i].AtNS -= int64(back)
		}
		r.feed(early)
		r.feed(l.samples[2*third:])
		r.stop()
		cycles, err := r.db.CyclesAfter(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		return r, cycles
	}
	_, plain := live(0)
	back := time.Duration(l.samples[third].AtNS - time.Date(1970, 1, 1, 0, 1, 0, 0, time.UTC).UnixNano())
	r, cycles := live(back)
	if len(plain) < 100 || len(cycles) > len(plain) || len(cycles) < len(plain)-len(l.site.Brakes) {
		t.Fatalf("%d cycles, and %d with a clock that is right", len(cycles), len(plain))
	}
	in1970 := 0
	next := map[string]int{} // in plain
	for i, c := range cycles {
		if c.ID != int64(i+1) {
			t.Fatalf("cycle %d has the id %d", i+1, c.ID)
		}
		if c.AtNS < int64(24*time.Hour) {
			in1970++
			c.AtNS += int64(back)
		}
		k := next[c.Brake]
		for k < len(plain) && (plain[k].Brake != c.Brake || time.Duration(plain[k].AtNS-c.AtNS).Abs() > 25*time.Millisecond) {
			k++
		}
		if k == len(plain) {
			t.Fatalf("with a clock that is right there is no cycle of %s at %v", c.Brake, time.Unix(0, c.AtNS))
		}
		next[c.Brake] = k + 1
		if was := plain[k]; time.Duration(c.OnNS-was.OnNS).Abs() > 25*time.Millisecond {
			t.Errorf("on for %v, and for %v with a clock that is right", time.Duration(c.OnNS), time.Duration(was.OnNS))
		}
	}
	if in1970 < len(plain)/4 {
		t.Errorf("only %d cycles of 1970", in1970)
	}
	known := func() (text string) {
		for i := range r.p.lines {
			b := r.p.lines[i].brake
			v, f := b.Verdict(), b.Latest()
			text += strings.Join([]string{l.site.Brakes[i].Name, v.State.String(), time.Unix(0, v.AtNS).UTC().String(), analysis.PlusMinus(v.GapMM, v.GapUMM), time.Unix(0, f.AtNS).UTC().String(), fmt.Sprint(f.Cycles)}, " ") + "\n"
		}
		return text
	}
	want := known()
	r.close()
	r.start()
	if got := known(); got != want {
		t.Errorf("started again it knows\n%s\nwant\n%s", got, want)
	}
	t.Logf("%d cycles, %d of them in 1970; then it knows\n%s", len(cycles), in1970, want)
}

package analysis_test

import (
	"fmt"
	"io"
	"math"
	"os"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/simulator"
)

// A trouble is something that goes wrong, and the condition that must tell of
// it.
type trouble struct {
	name    string
	event   simulator.Event
	edit    func(*family)
	want    analysis.Condition
	gaps    bool // the cycles still have gaps, which must be right
	atLimit bool // raised by its time limit rather than by the end of a cycle
}

func troubles() []trouble {
	of := func(f simulator.Fault, amount float64) simulator.Event {
		return simulator.Event{Fault: f, Amount: amount}
	}
	stuckAt := func(v float64) func(*family) {
		return func(f *family) { f.poll.withSwitch, f.poll.switchStuck, f.poll.switchAt = true, faultAfter, v }
	}
	return []trouble{
		{name: "frozen probe", event: of(simulator.ProbeFrozen, 0), want: analysis.SignalFault},
		{name: "frozen probe, 5 µm step", event: of(simulator.ProbeFrozen, 0), want: analysis.SignalFault,
			edit: func(f *family) {
				f.poll.stepUM = 5
				f.change = func(p *simulator.Params) { p.NoiseUM = 3 }
			}},
		{name: "wire break", event: of(simulator.WireBreak, 0), want: analysis.SignalFault, atLimit: true},
		{name: "probe bumped by 0.1 mm", event: of(simulator.ProbeBumped, 0.1), want: analysis.SignalFault, gaps: true},
		{name: "probe bumped by −0.5 mm", event: of(simulator.ProbeBumped, -0.5), want: analysis.SignalFault, gaps: true},
		{name: "the same, seats 30 µm", event: of(simulator.ProbeBumped, -0.6), want: analysis.SignalFault, gaps: true,
			edit: func(f *family) { f.change = func(p *simulator.Params) { p.SeatScatterUM = 30 } }},
		{name: "device silent", event: of(simulator.DeviceSilent, 0), want: analysis.SignalStale, atLimit: true},
		{name: "not freeing", event: of(simulator.NotFreeing, 0), want: analysis.NotReleased},
		{name: "frees by 30 %", event: of(simulator.Dragging, 0.3), want: analysis.NotReleased},
		{name: "frees by 60 %", event: of(simulator.Dragging, 0.6), want: analysis.NotReleased},
		{name: "frees by 80 %", event: of(simulator.Dragging, 0.8), want: analysis.NotReleased},
		{name: "not setting", event: of(simulator.NotSetting, 0), want: analysis.NotSet},
		{name: "sets by half", event: of(simulator.NotSetting, 0.5), want: analysis.NotSet},
		{name: "switch stuck open", edit: stuckAt(0), want: analysis.SignalsDisagree, gaps: true},
		{name: "switch stuck closed", edit: stuckAt(1), want: analysis.SignalsDisagree, gaps: true},
	}
}

// faultAfter is when the trouble begins: after some hundred cycles.
const faultAfter = 50 * time.Minute

// outcome is how one trouble was told.
type outcome struct {
	trials, raised int
	cycles         int           // most cycles from its beginning
	wait           time.Duration // longest time from its beginning
	others         map[analysis.Condition]int
	early          int     // alarms before it
	wildest        float64 // worst error of a gap after it, in u
	fromNothing    int     // gaps of cycles that had none
}

// strike has the trouble happen and looks what is told.
func (x trouble) strike(t *testing.T, seed uint64, o *outcome) {
	t.Helper()
	f := plainFamily(x.name)
	f.change = func(p *simulator.Params) { p.SeatScatterUM = 2 }
	if x.edit != nil {
		x.edit(&f)
	}
	var events []simulator.Event
	beginsNS := takenFrom().Add(faultAfter).UnixNano()
	if x.event.Fault != "" {
		x.event.At = takenFrom().Add(faultAfter)
		events = append(events, x.event)
	}
	p := newPoller(t, f, seed, events...)
	brake, out := analysis.New(f.settings()), &analysis.Out{}
	after, told := 0, false
	o.trials++
	for after < 30 {
		for _, s := range p.next() {
			brake.Step(s, out)
		}
		brake.Advance(p.nowNS(), out)
		if n := len(p.truth); n > 0 && p.truth[n-1].OnNS > beginsNS {
			after = 0
			for i := n - 1; i >= 0 && p.truth[i].OnNS > beginsNS; i-- {
				if !math.IsNaN(p.truth[i].GapMM) || p.truth[i].OffNS-p.truth[i].OnNS > 500e6 { // jogs show little
					after++
				}
			}
		}
		for _, a := range out.Findings {
			switch {
			case a.Excess <= 0:
			case a.AtNS < beginsNS && a.AtNS > takenFrom().Add(faultAfter/5).UnixNano():
				if a.Condition != analysis.GapStep { // the chart of the gaps has its own run length
					o.early++
				}
			case a.Condition != x.want:
				o.others[a.Condition]++
			case !told:
				told = true
				o.raised++
				o.cycles = max(o.cycles, after+1) // the cycle under way counts
				o.wait = max(o.wait, time.Duration(a.AtNS-beginsNS))
			}
		}
		out.Findings = out.Findings[:0]
	}
	o.judge(p.truth, out.Cycles, beginsNS)
}

// judge compares the gaps after the trouble began with the truth.
func (o *outcome) judge(truth []simulator.Truth, got []analysis.Cycle, beginsNS int64) {
	j := 0
	for _, x := range truth {
		for j < len(got) && got[j].AtNS < x.OnNS-300e6 {
			j++
		}
		if x.OnNS < beginsNS-60e9 || j >= len(got) || got[j].AtNS > x.OffNS || !analysis.Has(got[j].GapMM) {
			continue
		}
		if math.IsNaN(x.GapMM) {
			o.fromNothing++
			continue
		}
		o.wildest = math.Max(o.wildest, math.Abs(got[j].GapMM-x.GapMM)/got[j].GapUMM)
	}
}

func (o *outcome) print(w io.Writer, x trouble) {
	fmt.Fprintf(w, "%-26s %-16s %3d/%-3d %2d cycles %6.1f s  early %d", x.name, x.want, o.raised, o.trials, o.cycles, o.wait.Seconds(), o.early)
	if x.gaps {
		fmt.Fprintf(w, "  gaps within %.1f u", o.wildest)
	}
	if o.fromNothing > 0 {
		fmt.Fprintf(w, "  %d gaps from nothing", o.fromNothing)
	}
	for _, c := range analysis.Conditions() {
		if n := o.others[c]; n > 0 {
			fmt.Fprintf(w, "  also %s %d", c, n)
		}
	}
	fmt.Fprintln(w)
}

// TestScoreOfTroubles has each trouble strike a healthy brake: its condition
// must be raised within three cycles (or its time limit), no other, and no gap
// must come of it.
func TestScoreOfTroubles(t *testing.T) {
	trials, ask := 2, asked(t)
	if ask.full {
		trials = 25
	}
	for _, x := range troubles() {
		o := outcome{others: map[analysis.Condition]int{}}
		for i := range trials {
			x.strike(t, uint64(1000+i)+1000*ask.seed, &o)
		}
		o.print(os.Stderr, x)
		if o.raised < o.trials {
			t.Errorf("%s: %s raised in %d of %d trials", x.name, x.want, o.raised, o.trials)
		}
		if o.cycles > 3 && !x.atLimit || x.atLimit && o.wait > 6*time.Second {
			t.Errorf("%s: raised only after %d cycles, %v", x.name, o.cycles, o.wait)
		}
		delete(o.others, analysis.GapStep)
		if len(o.others) > 0 || o.early > 0 || o.fromNothing > 0 {
			t.Errorf("%s: also %v, %d alarms before it, %d gaps from nothing", x.name, o.others, o.early, o.fromNothing)
		}
		if x.gaps && o.wildest > 6 {
			t.Errorf("%s: a gap was off by %.1f u", x.name, o.wildest)
		}
	}
}

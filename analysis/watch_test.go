package analysis

import (
	"math"
	"testing"
	"time"

	"gapward/sensors"
)

// secondsAfter is when a finding came, counted from a moment of the hand-drawn
// brake.
func secondsAfter(f Finding, s float64) float64 { return float64(f.AtNS-handStart)*1e-9 - s }

// stuckFrom keeps the travel at a level from one time to another.
func stuckFrom(from, to, mm float64) func(t, v float64) (float64, sensors.Quality) {
	return func(t, v float64) (float64, sensors.Quality) {
		if t >= from && t < to {
			return mm + 0.004*float64(int(t*1e3)%3-1), sensors.Good
		}
		return v, sensors.Good
	}
}

func TestNotReleasedIsRaisedWhileItHappens(t *testing.T) {
	for name, level := range map[string]float64{"not at all": 3, "only partly": 3.5} {
		t.Run(name, func(t *testing.T) {
			h := newHand(evenRuns(10, 3, 4)...)
			on, off := h.runs[5][0], h.runs[5][1]
			h.travel = stuckFrom(on, off, level)
			out := feed(handSettings(), h.samples(3))
			raised := conditions(out, NotReleased)
			if len(raised) != 1 {
				t.Fatalf("raised %d times, want once", len(raised))
			}
			if d := secondsAfter(raised[0], on); d < 1-0.02 || d > 1+0.04 {
				t.Errorf("raised %.3f s after drive-on, want 1 s and two polls at most", d)
			}
			if raised[0].Limit != 1 || raised[0].Unit != "s" {
				t.Errorf("told as %+v", raised[0])
			}
			if c := out.Cycles[5]; c.Flags&FlagNotReleased == 0 {
				t.Errorf("the cycle's flags are %v", c.Flags.Names())
			}
			var cleared bool
			for _, f := range out.Findings {
				if f.Condition == NotReleased && f.Excess < 0 && secondsAfter(f, h.runs[6][0]) > 0 {
					cleared = true
				}
			}
			if !cleared {
				t.Error("it was not cleared by the next release")
			}
		})
	}
}

func TestNotSetIsRaisedWhileItHappens(t *testing.T) {
	h := newHand(evenRuns(10, 4, 3)...)
	off := h.runs[5][1]
	h.travel = stuckFrom(off, off+2.5, 5)
	out := feed(handSettings(), h.samples(3))
	raised := conditions(out, NotSet)
	if len(raised) != 1 {
		t.Fatalf("raised %d times, want once", len(raised))
	}
	if d := secondsAfter(raised[0], off); d < 1-0.02 || d > 1+0.04 {
		t.Errorf("raised %.3f s after drive-off, want 1 s and two polls at most", d)
	}
	if len(conditions(out, NotReleased)) > 0 {
		t.Error("and taken for not-released besides")
	}
}

func TestSwitchAloneTellsNotReleased(t *testing.T) {
	h := newHand(evenRuns(6, 3, 4)...)
	h.noTravel, h.withSwitch = true, true
	s := handSettings()
	s.Travel = SignalSettings{}
	s.Released = SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second}
	on, off := h.runs[3][0], h.runs[3][1]
	samples := h.samples(3)
	for i := range samples {
		if at := float64(samples[i].AtNS-handStart) * 1e-9; samples[i].Signal == sensors.Released && at > on && at < off+1 {
			samples[i].Value = 0
		}
	}
	raised := conditions(feed(s, samples), NotReleased)
	if len(raised) != 1 {
		t.Fatalf("raised %d times, want once", len(raised))
	}
	if d := secondsAfter(raised[0], on); d < 0.98 || d > 1.04 {
		t.Errorf("raised %.3f s after drive-on", d)
	}
}

func TestSwitchContradictingTravelIsTold(t *testing.T) {
	h := newHand(evenRuns(6, 3, 4)...)
	h.withSwitch = true
	s := handSettings()
	s.Released = SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second}
	samples := h.samples(3)
	for i := range samples {
		if samples[i].Signal == sensors.Released && samples[i].AtNS > handStart+int64(h.runs[3][0]*1e9) {
			samples[i].Value = 0
		}
	}
	out := feed(s, samples)
	if len(conditions(out, SignalsDisagree)) == 0 {
		t.Error("a switch that never closes while the travel is full was not told of")
	}
	if len(conditions(out, NotReleased)) > 0 {
		t.Error("it was taken for a brake that doesn't release")
	}
}

func TestSilentAndBrokenProbe(t *testing.T) {
	h := newHand(evenRuns(30, 3, 2)...)
	broken := func(from, to float64) []sensors.Sample {
		samples := h.samples(3)
		for i := range samples {
			if at := float64(samples[i].AtNS-handStart) * 1e-9; samples[i].Signal == sensors.Travel && at > from && at < to {
				samples[i].Quality = sensors.Bad
			}
		}
		return samples
	}
	t.Run("wire break is a fault", func(t *testing.T) {
		out := feed(handSettings(), broken(50.2, 70))
		raised := conditions(out, SignalFault)
		if len(raised) != 1 || raised[0].Signal != "travel" {
			t.Fatalf("raised %+v", raised)
		}
		if d := secondsAfter(raised[0], 50.2); d > 0.5 {
			t.Errorf("raised after %.2f s", d)
		}
		if n := len(conditions(out, NotReleased)) + len(conditions(out, NotSet)) + len(conditions(out, SignalStale)); n > 0 {
			t.Errorf("%d other alarms", n)
		}
		for _, c := range out.Cycles {
			if at := float64(c.AtNS-handStart) * 1e-9; at > 50 && at < 68 && Has(c.GapMM) {
				t.Errorf("a gap at %.0f s, while the wire was broken", at)
			}
		}
		if n := len(full(out)); n < 24 {
			t.Errorf("%d full cycles; those after the repair are missing", n)
		}
	})
	t.Run("silence is stale", func(t *testing.T) {
		var samples []sensors.Sample
		for _, s := range broken(50.2, 70) {
			if s.Quality == sensors.Good {
				samples = append(samples, s)
			}
		}
		raised := conditions(feed(handSettings(), samples), SignalStale)
		if len(raised) != 1 || raised[0].Signal != "travel" {
			t.Fatalf("raised %+v", raised)
		}
		if d := secondsAfter(raised[0], 50.2); d < 4.9 || d > 5.2 {
			t.Errorf("raised after %.2f s of silence, the limit is 5 s", d)
		}
	})
	t.Run("a tick is enough to notice", func(t *testing.T) {
		b, out := New(handSettings()), &Out{}
		last := int64(0)
		for _, s := range h.samples(3) {
			if s.AtNS < handStart+20e9 {
				b.Step(s, out)
				last = s.AtNS
			}
		}
		out.Reset()
		b.Advance(last+4e9, out)
		if len(conditions(out, SignalStale)) > 0 {
			t.Error("stale too early")
		}
		b.Advance(last+6e9, out)
		if len(conditions(out, SignalStale)) != 2 { // travel and drive
			t.Errorf("findings after 6 s of silence: %+v", out.Findings)
		}
	})
}

func TestVerdictAgainstLimits(t *testing.T) {
	l := Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}
	for _, c := range []struct {
		gap, u float64
		want   State
	}{
		{2, 0.01, InLimits},
		{2.75, 0.03, InLimits},    // 2.75 + 0.04935 < 2.8
		{2.7506, 0.03, InLimits},  // JCGM-style guard: 2.8 − 1.645·0.03 = 2.75065
		{2.7507, 0.03, AdjustDue}, // just beyond it
		{2.8, 0, AdjustDue},
		{3.36, 0.03, StopUsing},
		{1.24, 0.03, TooNarrow},
		{1.26, 0.03, InLimits},
		{NoValue(), 0, Unknown},
	} {
		if got := l.judge(c.gap, c.u); got != c.want {
			t.Errorf("gap %v u %v: %v, want %v", c.gap, c.u, got, c.want)
		}
	}
}

// A brake whose signals fell silent before its deadline could be judged waits
// for them, and doesn't have itself looked at over and over meanwhile.
func TestSilenceWaitsForNoDeadline(t *testing.T) {
	for name, lastS := range map[string]float64{"after drive-on": 0.1, "after drive-off": 3.05} {
		t.Run(name, func(t *testing.T) {
			h := newHand(evenRuns(6, 3, 4)...)
			b, out := New(handSettings()), &Out{}
			last := handStart + int64((h.runs[4][0]+lastS)*1e9)
			for _, s := range h.samples(3) {
				if s.AtNS < last {
					b.Step(s, out)
				}
			}
			b.Advance(last+4e9, out) // past what is allowed, and not yet stale
			if b.phase == resting {
				t.Fatal("nothing was under way")
			}
			for looks := 0; b.WakeNS() < last+3600e9; looks++ {
				if looks > 5 {
					t.Fatalf("still to be looked at, at %.3f s", float64(b.WakeNS()-last)*1e-9)
				}
				b.Advance(b.WakeNS(), out)
			}
			if n := len(conditions(out, SignalStale)); n == 0 {
				t.Error("nobody was told of the silence")
			}
			if n := len(conditions(out, NotReleased)) + len(conditions(out, NotSet)); n > 0 {
				t.Errorf("silence was taken for evidence %d times", n)
			}
		})
	}
}

// Who is switched off soon after a stop, as a crane is at the end of a shift, has
// seen that stop: its cycle is not lost with the signals. One whose drive was still
// on has no end.
func TestSilenceEndsTheCycleBeforeIt(t *testing.T) {
	h := newHand(evenRuns(6, 3, 4)...)
	samples := h.samples(3)
	whole := full(feed(handSettings(), samples))
	for name, c := range map[string]struct {
		after  float64 // s from the last drive-off to the loss
		probeS float64 // for how long the probe is read on, s; it sees the brake free again 2 s later
		bad    bool    // the drive's readings turn bad
		cycles int
	}{
		"silent":               {after: 2, cycles: 5},
		"drive silent":         {after: 2, probeS: 4.9, cycles: 5},
		"drive faulty":         {after: 2, probeS: 1, bad: true, cycles: 5},
		"silent while running": {after: -1, cycles: 4},
		"faulty while running": {after: -1, probeS: 1, bad: true, cycles: 4},
	} {
		t.Run(name, func(t *testing.T) {
			b, out := New(handSettings()), &Out{}
			last := handStart + int64((h.runs[4][1]+c.after)*1e9)
			for _, s := range samples {
				if lost := s.AtNS >= last; lost && s.Signal == sensors.Drive {
					s.Quality = sensors.NoAnswer
					if c.bad {
						s.Quality = sensors.Bad
					}
				} else if lost && s.AtNS > last+int64(c.probeS*1e9) {
					continue
				}
				b.Step(s, out)
			}
			b.Advance(last+3600e9, out)
			got := full(out)
			if len(got) != c.cycles {
				t.Fatalf("%d full cycles, want %d", len(got), c.cycles)
			}
			one, want := got[len(got)-1], whole[len(got)-1]
			if one.AtNS != want.AtNS || math.Abs(one.GapMM-want.GapMM) > 2*math.Hypot(one.GapUMM, want.GapUMM) || math.Abs(one.SetS-want.SetS) > 0.02 {
				t.Errorf("the last cycle is %+v, by all that was sampled %+v", one, want)
			}
		})
	}
}

// A brake is silent once none of its signals is heard; one heard is enough.
func TestSilentIsABrakeOfWhichNothingIsHeard(t *testing.T) {
	h := newHand(evenRuns(4, 3, 4)...)
	b, out := New(handSettings()), &Out{}
	samples := h.samples(3)
	for _, s := range samples {
		b.Step(s, out)
	}
	last := samples[len(samples)-1].AtNS
	if b.Silent() {
		t.Error("silent while it is heard")
	}
	b.Advance(last+4e9, out)
	if b.Silent() {
		t.Error("silent before its signals are stale")
	}
	b.Advance(last+30e9, out)
	if !b.Silent() {
		t.Error("not silent when nothing has been heard for half a minute")
	}
	b.Step(sensors.Sample{AtNS: last + 31e9, Signal: sensors.Drive, Quality: sensors.Bad}, out)
	if b.Silent() {
		t.Error("silent though a signal was heard, if a bad one")
	}
	bare := handSettings()
	bare.Travel.Present, bare.Drive.Present, bare.Released.Present = false, false, false
	b = New(bare)
	b.Advance(last, out)
	if b.Advance(last+1e12, out); b.Silent() {
		t.Error("a brake without signals is silent")
	}
}

// A brake that is read rarely, over a slow network say, isn't taken for one that
// doesn't free or set as long as its latest reading says otherwise; nor is its
// switch held against a reading from before.
func TestRareReadingsAreNoBrakeThatFails(t *testing.T) {
	for name, heard := range map[string]func(sinceEdge float64) bool{
		"once after the deadline":  func(s float64) bool { return s < 0.05 || s >= 1.3 && s < 1.32 || s >= 2.4 },
		"not for long":             func(s float64) bool { return s < 0.05 || s >= 1.8 },
		"every so often, but late": func(s float64) bool { return s < 0.03 || s >= 1.1 && s < 1.12 || s >= 1.6 && s < 1.62 || s >= 2.1 },
	} {
		t.Run(name, func(t *testing.T) {
			h := newHand(evenRuns(8, 3, 4)...)
			h.withSwitch = true
			s := handSettings()
			s.Released = SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second}
			var samples []sensors.Sample
			for _, one := range h.samples(3) {
				at, since := float64(one.AtNS-handStart)*1e-9, 0.0
				for _, r := range h.runs {
					for _, edge := range r {
						if at >= edge {
							since = at - edge
						}
					}
				}
				if one.Signal != sensors.Travel || at < h.runs[4][0] || heard(since) {
					samples = append(samples, one)
				}
			}
			for _, f := range feed(s, samples).Findings {
				if f.Excess > 0 && (f.Condition == NotReleased || f.Condition == NotSet || f.Condition == SignalsDisagree) {
					t.Errorf("%v at %.2f s", f.Condition, float64(f.AtNS-handStart)*1e-9)
				}
			}
		})
	}
}

// Where the drive's polls are lost as it goes off or on, the switch tells of it
// before the drive does. That is no contradiction.
func TestASwitchAheadOfTheDriveContradictsNothing(t *testing.T) {
	h := newHand(evenRuns(8, 3, 4)...)
	h.withSwitch = true
	s := handSettings()
	s.Released = SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second}
	var samples []sensors.Sample
	for _, one := range h.samples(3) {
		at, lost := float64(one.AtNS-handStart)*1e-9, false
		for _, r := range h.runs {
			for _, edge := range r {
				lost = lost || at >= edge && at < edge+0.2
			}
		}
		if one.Signal != sensors.Drive || !lost {
			samples = append(samples, one)
		}
	}
	for _, f := range feed(s, samples).Findings {
		if f.Excess > 0 && f.Condition == SignalsDisagree {
			t.Errorf("%v at %.2f s", f.Condition, float64(f.AtNS-handStart)*1e-9)
		}
	}
}

// A drive that is read seldom shows its change long after the travel has answered
// it. The released level is not where the brake rests for that, and nothing is
// wrong; but a probe that was moved at rest is followed all the same.
func TestADriveSeenLateIsNoMovedProbe(t *testing.T) {
	h := newHand(evenRuns(20, 3.3, 3.7)...)
	h.withSwitch = true
	moved := h.runs[15][1] + 2
	h.travel = func(at, mm float64) (float64, sensors.Quality) {
		if at > moved {
			mm += 1.5
		}
		return mm, sensors.Good
	}
	var samples []sensors.Sample
	drives := 0
	for _, s := range h.samples(3) {
		if s.Signal == sensors.Drive {
			if drives++; drives%30 != 0 { // every 0.6 s
				continue
			}
		}
		samples = append(samples, s)
	}
	s := handSettings()
	s.Drive.Poll = 600 * time.Millisecond
	s.Released = s.Travel
	out := feed(s, samples)
	for _, c := range []Condition{NotReleased, NotSet, SignalsDisagree} {
		for _, f := range conditions(out, c) {
			t.Errorf("%s %.2f s after the start", c, secondsAfter(f, 0))
		}
	}
	if len(out.Cycles) != len(h.runs) {
		t.Errorf("%d cycles of %d", len(out.Cycles), len(h.runs))
	}
}

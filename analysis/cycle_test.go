package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gapward/sensors"
)

// full are the cycles with a gap.
func full(out *Out) (list []Cycle) {
	for _, c := range out.Cycles {
		if c.Kind == Full && Has(c.GapMM) {
			list = append(list, c)
		}
	}
	return list
}

// gapErrors is bias and root mean square of the gaps' errors, in µm, and the
// share of cycles whose ±2u covers the truth.
func gapErrors(cycles []Cycle, trueMM float64) (biasUM, rmseUM, covered float64) {
	for _, c := range cycles {
		e := (c.GapMM - trueMM) * 1e3
		biasUM += e
		rmseUM += e * e
		if math.Abs(c.GapMM-trueMM) <= 2*c.GapUMM {
			covered++
		}
	}
	n := float64(len(cycles))
	return biasUM / n, math.Sqrt(rmseUM / n), covered / n
}

func TestEveryCycleIsFoundAndMeasured(t *testing.T) {
	for name, change := range map[string]func(*hand, *Settings){
		"as it comes":       func(*hand, *Settings) {},
		"without drive":     func(h *hand, s *Settings) { h.noDrive, s.Drive = true, SignalSettings{} },
		"drive not named":   func(h *hand, s *Settings) { s.Drive, s.Travel = SignalSettings{}, SignalSettings{} },
		"drift of 0.2 mm/h": func(h *hand, _ *Settings) { h.driftMMPerS = 0.2 / 3600 },
		"polls of 5 ms": func(h *hand, s *Settings) {
			h.pollS, s.Travel.Poll, s.Drive.Poll = 0.005, 5*time.Millisecond, 5*time.Millisecond
		},
		"polls of 50 ms": func(h *hand, s *Settings) {
			h.pollS, s.Travel.Poll, s.Drive.Poll = 0.05, 50*time.Millisecond, 50*time.Millisecond
		},
		"a running motor's ripple": func(h *hand, _ *Settings) {
			h.ripple = func(t float64) float64 { return 0.012 * math.Sin(2*math.Pi*9.37*t) }
		},
		"spikes": func(h *hand, _ *Settings) {
			rng := rand.New(rand.NewPCG(3, 3))
			h.travel = func(_, mm float64) (float64, sensors.Quality) {
				if rng.Float64() < 0.005 {
					return mm + 4*rng.NormFloat64(), sensors.Good
				}
				return mm, sensors.Good
			}
		},
		"one reading in twenty bad": func(h *hand, _ *Settings) {
			rng := rand.New(rand.NewPCG(4, 4))
			h.travel = func(_, mm float64) (float64, sensors.Quality) {
				if rng.Float64() < 0.05 {
					return 0, sensors.Bad
				}
				return mm, sensors.Good
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			h, s := newHand(evenRuns(300, 3.1, 2.05)...), handSettings()
			change(&h, &s)
			out := feed(s, h.samples(11))
			got := full(out)
			if len(out.Cycles) != 300 || len(got) != 300 {
				t.Fatalf("%d cycles, %d full, want 300 and 300", len(out.Cycles), len(got))
			}
			bias, rmse, covered := gapErrors(got, h.gapMM)
			t.Logf("bias %.2f µm, RMSE %.2f µm, within 2u %.3f", bias, rmse, covered)
			if math.Abs(bias) > 0.4 || rmse > 3 || covered < 0.88 {
				t.Errorf("bias %.2f µm, RMSE %.2f µm, within 2u %.3f", bias, rmse, covered)
			}
			var release float64
			for i, c := range got {
				onNS := handStart + int64(h.runs[i][0]*1e9)
				late := float64(c.AtNS-onNS) * 1e-9
				if h.noDrive {
					if Has(c.ReleaseS) || Has(c.SetS) {
						t.Fatal("a time without a drive signal is a guess")
					}
					if late < 0 || late > h.delayS+h.rampS {
						t.Fatalf("cycle %d begins %.3f s after the drive", i, late)
					}
					continue
				}
				most := 0.6
				if i < 20 { // half of a bounce besides, that it may have as long as that isn't known
					most = 0.9
				}
				if math.Abs(late) > most*h.pollS {
					t.Fatalf("cycle %d begins %.3f s off", i, late)
				}
				release += c.ReleaseS - (h.delayS + 0.9*h.rampS)
			}
			if bias := release / 300; !h.noDrive && math.Abs(bias) > 0.15*h.pollS {
				t.Errorf("release time is off by %.2f ms on average", bias*1e3)
			}
			for _, f := range out.Findings {
				if f.Excess > 0 {
					t.Errorf("a false alarm: %+v", f)
				}
			}
		})
	}
}

// Behind a converter whose steps hide the noise cycles may agree to the last digit,
// in how they come to rest too: that there is no scatter to go by is no reason to
// lose them.
func TestCyclesThatAgreeToTheLastDigit(t *testing.T) {
	h, s := newHand(evenRuns(60, 3, 2)...), handSettings()
	h.noiseMM, h.stepMM, s.Travel.ResolutionMM = 0, 0, 0.01
	h.travel = func(at, mm float64) (float64, sensors.Quality) {
		for _, r := range h.runs { // it dies down at both ends of its way
			for edge, way := range map[float64]float64{r[0]: h.gapMM, r[1]: -h.gapMM} {
				if since := at - edge - h.delayS - h.rampS; since >= 0 && since < 0.5 {
					mm -= 0.06 * way * math.Exp(-since/0.05)
				}
			}
		}
		return math.Round(mm/0.01) * 0.01, sensors.Good
	}
	got := full(feed(s, h.samples(5)))
	if len(got) != 60 {
		t.Fatalf("%d cycles of 60 have a gap", len(got))
	}
	for i, c := range got {
		if !(math.Abs(c.GapMM-h.gapMM) < 0.005) || !(c.GapUMM < 0.01) {
			t.Errorf("cycle %d has the gap %v ± %v mm, want %v", i, c.GapMM, c.GapUMM, h.gapMM)
		}
	}
}

func TestJogsAreCountedAndNeverBecomeAGap(t *testing.T) {
	h := newHand([2]float64{3, 5}, [2]float64{8, 8.1}, [2]float64{11, 11.12}, [2]float64{14, 16}, [2]float64{19, 19.11}, [2]float64{22, 24})
	out := feed(handSettings(), h.samples(2))
	want := []CycleKind{Full, Jog, Jog, Full, Jog, Full}
	if len(out.Cycles) != len(want) {
		t.Fatalf("%d cycles, want %d", len(out.Cycles), len(want))
	}
	for i, c := range out.Cycles {
		if c.Kind != want[i] || (c.Kind == Jog) == Has(c.GapMM) {
			t.Errorf("cycle %d: %v with gap %v, want %v", i, c.Kind, c.GapMM, want[i])
		}
	}
	v := out.Verdicts[len(out.Verdicts)-1]
	if v.Full != 3 || v.Jogs != 3 {
		t.Errorf("counted %d full and %d jogs", v.Full, v.Jogs)
	}
}

func TestContactBounceMakesNoCycles(t *testing.T) {
	h := newHand(evenRuns(20, 3, 2)...)
	h.pollS = 0.005
	s := handSettings()
	s.Travel.Poll, s.Drive.Poll = 5*time.Millisecond, 5*time.Millisecond
	samples := h.samples(5)
	for i := range samples { // the contact chatters for 20 ms after each edge
		if samples[i].Signal != sensors.Drive {
			continue
		}
		at := float64(samples[i].AtNS-handStart) * 1e-9
		for _, r := range h.runs {
			for _, edge := range r {
				if d := at - edge; d > 0.004 && d < 0.02 && int(d*1e3/5)%2 == 1 {
					samples[i].Value = 1 - samples[i].Value
				}
			}
		}
	}
	if n := len(feed(s, samples).Cycles); n != 20 {
		t.Errorf("%d cycles of 20", n)
	}
}

func TestBrakeWithoutProbeHasCyclesAndTimes(t *testing.T) {
	h := newHand(evenRuns(30, 3, 2)...)
	h.noTravel, h.withSwitch = true, true
	s := handSettings()
	s.Travel = SignalSettings{}
	s.Released = SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second}
	out := feed(s, h.samples(8))
	if len(out.Cycles) != 30 {
		t.Fatalf("%d cycles of 30", len(out.Cycles))
	}
	var sum float64
	for _, c := range out.Cycles {
		if Has(c.GapMM) || !Has(c.ReleaseS) || !Has(c.SetS) {
			t.Fatalf("cycle %+v: it has times and no gap", c)
		}
		near(t, "u of two polled edges", c.ReleaseUS, 0.020/math.Sqrt(6), 0.05)
		sum += c.ReleaseS
	}
	near(t, "mean release time", sum/30, h.delayS+0.6*h.rampS, 0.005)
}

func TestBumpedProbeIsNoGap(t *testing.T) {
	h := newHand(evenRuns(40, 3, 2)...)
	h.travel = func(t, mm float64) (float64, sensors.Quality) {
		if t > 101 { // at rest
			mm += 0.8
		}
		return mm, sensors.Good
	}
	out := feed(handSettings(), h.samples(9))
	bias, rmse, _ := gapErrors(full(out), h.gapMM)
	if math.Abs(bias) > 1 || rmse > 3 {
		t.Errorf("bias %.2f µm, RMSE %.2f µm", bias, rmse)
	}
	for _, f := range out.Findings {
		if f.Excess > 0 && (f.Condition == NotSet || f.Condition == NotReleased || f.Condition == GapStep) {
			t.Errorf("a moved probe was taken for %s", f.Condition)
		}
	}
}

func TestSameSamplesSameResults(t *testing.T) {
	h := newHand(evenRuns(60, 3, 2)...)
	samples := h.samples(21)
	lines := func() (b []byte) {
		out := feed(handSettings(), samples)
		for _, c := range out.Cycles {
			b = c.AppendJSON(append(b, '\n'), "x")
		}
		for _, f := range out.Forecasts {
			b = f.AppendJSON(append(b, '\n'), "x")
		}
		return b
	}
	if a, b := string(lines()), string(lines()); a != b || len(a) < 1000 {
		t.Error("two runs over the same samples differ")
	}
}

func TestNothingIsAllocatedPerSample(t *testing.T) {
	h := newHand(evenRuns(30, 3, 2)...)
	samples := h.samples(13)
	b, out := New(handSettings()), &Out{}
	warm := len(samples) / 2
	for _, s := range samples[:warm] {
		b.Step(s, out)
	}
	out.Reset()
	// A stretch without the end of a cycle in it.
	i := warm
	var cycles int
	allocs := testing.AllocsPerRun(60, func() {
		b.Step(samples[i], out)
		cycles += len(out.Cycles)
		out.Reset()
		i++
	})
	if cycles == 0 && allocs > 0 {
		t.Errorf("%v allocations a sample", allocs)
	}
}

func TestHeldReleasedForMinutesCostsNoMemory(t *testing.T) {
	h := newHand([2]float64{3, 5}, [2]float64{10, 1210}, [2]float64{1215, 1217})
	h.driftMMPerS = 0.1 / 3600
	s := handSettings()
	b, out := New(s), &Out{}
	for _, one := range h.samples(17) {
		b.Step(one, out)
		if n := b.trace.len(); n > maxTrace+1 {
			t.Fatalf("the trace holds %d readings", n)
		}
	}
	b.Flush(out)
	got := full(out)
	if len(got) != 3 {
		t.Fatalf("%d full cycles, want 3", len(got))
	}
	for i, c := range got {
		near(t, "gap", c.GapMM, 2, 0.006)
		near(t, "time on", float64(c.OnNS)*1e-9, h.runs[i][1]-h.runs[i][0], 0.03)
	}
}

// Without a drive signal the first readings are taken for the set level. Where they
// are far off, no cycle may be lost for it, nor one be made of the way back.
func TestFirstReadingsFarOffLoseNoCycle(t *testing.T) {
	h := newHand(evenRuns(8, 3, 4)...)
	h.noDrive = true
	s := handSettings()
	s.Drive = SignalSettings{}
	all := h.samples(3)
	want := full(feed(s, all))
	if len(want) != 8 {
		t.Fatalf("%d full cycles of 8", len(want))
	}
	for _, off := range []float64{-5, -1.7, 2, 5} {
		for readings := 1; readings < 6; readings++ {
			samples := slices.Clone(all)
			if readings == 1 { // the probe is heard shortly before the brake frees
				samples = slices.DeleteFunc(samples, func(s sensors.Sample) bool { return s.AtNS < handStart+int64((h.runs[0][0]-0.5)*1e9) })
			}
			for i := range readings {
				samples[i].Value += off
			}
			got := full(feed(s, samples))
			if len(got) != len(want) {
				t.Errorf("%d readings by %g mm off: %d full cycles of %d", readings, off, len(got), len(want))
				continue
			}
			for i := range got {
				if d := math.Abs(got[i].GapMM - want[i].GapMM); d > 0.005 {
					t.Errorf("%d readings by %g mm off: gap %d off by %.3f mm", readings, off, i+1, d)
				}
			}
		}
	}
}

// Without a drive signal a run ends when the travel begins to fall, however quiet the
// probe: readings on the way down tell nothing of the level that it falls from.
func TestARunEndsWhenTheTravelBeginsToFall(t *testing.T) {
	h := newHand(evenRuns(40, 3, 1)...)
	h.noDrive, h.noiseMM, h.rampS = true, 0.0025, 0.15
	s := handSettings()
	s.Drive = SignalSettings{}
	out := feed(s, h.samples(3))
	if n := len(full(out)); n != 40 {
		t.Errorf("%d full cycles of 40", n)
	}
	for i, c := range full(out) {
		if late := time.Duration(c.OnNS) - time.Second; late.Abs() > 25*time.Millisecond {
			t.Errorf("run %d of 1 s ends %v late", i+1, late)
		}
	}
	if n := len(conditions(out, SignalFault)); n > 0 {
		t.Errorf("%d faults of the signal", n)
	}
}

// A brake that nears its end so slowly that noise alone takes the travel past nine
// tenths polls too early is timed by all of its way: what is left is the polled edge's
// own T/√12 (JCGM 100:2008, 4.3.7).
func TestASlowArrivalIsTimedByTheWholeWay(t *testing.T) {
	h := newHand(evenRuns(200, 1.5, 1.7)...)
	h.rampS, h.pollS, h.noiseMM = 0.4, 0.01, 0.03
	want := h.delayS + 0.9*h.rampS
	var square, n float64
	for i, c := range full(feed(handSettings(), h.samples(3))) {
		if i >= 60 { // the curve is known
			square += (c.ReleaseS - want) * (c.ReleaseS - want)
			n++
		}
	}
	if over := math.Sqrt(square/n) / (h.pollS / math.Sqrt(12)); over > 1.25 {
		t.Errorf("the release time's RMSE is %.2f × that of the polled edge, over %g cycles", over, n)
	}
}

// Without a drive signal a recording that begins while the brake frees begins with no
// set level: what it frees from wasn't seen.
func TestARecordingThatBeginsOnTheWay(t *testing.T) {
	h := newHand(evenRuns(4, 3, 2)...)
	h.noDrive, h.pollS = true, 0.01
	s := handSettings()
	s.Drive = SignalSettings{}
	for ms := int64(0); ms < 150; ms += 10 {
		from := handStart + int64(3e9) + ms*1e6
		samples := slices.DeleteFunc(h.samples(3), func(s sensors.Sample) bool { return s.AtNS < from })
		out := feed(s, samples)
		if n := len(full(out)); n < 3 {
			t.Errorf("from %d ms on: %d full cycles", ms, n)
		}
		for _, c := range full(out) {
			if math.Abs(c.GapMM-h.gapMM) > 0.02 {
				t.Errorf("from %d ms on: a gap of %.3f mm", ms, c.GapMM)
			}
		}
		if len(conditions(out, SignalFault))+len(conditions(out, GapLow)) > 0 {
			t.Errorf("from %d ms on: %+v", ms, out.Findings)
		}
	}
}

// Without a drive signal a brake that sets slowly is read many times between half way
// and the set level: that isn't another run.
func TestASlowFallIsNoOtherRun(t *testing.T) {
	h := newHand(evenRuns(12, 3, 1)...)
	h.noDrive, h.pollS, h.rampS = true, 0.005, 0.15
	s := handSettings()
	s.Drive, s.Limits.MinMM = SignalSettings{}, 0.5
	out := feed(s, h.samples(3))
	if len(out.Cycles) != 12 || len(full(out)) != 12 {
		t.Errorf("%d cycles of 12, %d of them full", len(out.Cycles), len(full(out)))
	}
}

// A brake that frees again before it has set is another cycle.
func TestFreeAgainBeforeItHasSet(t *testing.T) {
	h := newHand([2]float64{3, 5}, [2]float64{5.2, 8}, [2]float64{12, 14})
	h.noDrive = true
	h.travel = func(t, mm float64) (float64, sensors.Quality) {
		if t > 5 && t < 7 && mm < 3.8 { // it doesn't get back
			mm = 3.8
		}
		return mm, sensors.Good
	}
	s := handSettings()
	s.Drive, s.Limits.MinMM = SignalSettings{}, 0.5
	if n := len(feed(s, h.samples(3)).Cycles); n != 3 {
		t.Errorf("%d cycles of 3", n)
	}
}

// Without a drive signal a cycle is timed from when the travel leaves the set level, the
// first one too, of whose scatter nothing is known yet.
func TestTheFirstCycleBeginsWhereItMoves(t *testing.T) {
	h := newHand(evenRuns(1, 3, 1)...)
	h.noDrive, h.noiseMM = true, 0.025
	s := handSettings()
	s.Drive, s.Limits.MinMM = SignalSettings{}, 0.5
	for seed := range uint64(30) {
		cycles := full(feed(s, h.samples(seed)))
		if len(cycles) != 1 {
			t.Fatalf("%d cycles", len(cycles))
		}
		moves := handStart + int64((3+h.delayS)*1e9)
		if late := time.Duration(cycles[0].AtNS - moves); late.Abs() > 40*time.Millisecond {
			t.Errorf("seed %d: %v late", seed, late)
		}
	}
}

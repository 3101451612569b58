package simulator

import (
	"math"
	"testing"
	"time"

	"gapward/sensors"
)

// monday is where most tests begin, at midnight.
func monday() time.Time { return time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC) }

// wiredBrake is a brake of the hoist quay-2 with a probe of 0.2 µm a count and a drive,
// release switch and thermometer, polled each 20 ms.
func wiredBrake(index int32, name string) BrakeSpec {
	b := BrakeSpec{Index: index, Name: name, Hoist: "quay-2", Params: DefaultParams(1.6), Duty: DefaultDuty(400)}
	address := func(a uint16) *uint16 { a += uint16(10 * index); return &a }
	b.Wire(sensors.Travel, sensors.Wiring{Device: "quay-io", Input: address(0), Raw: []float64{0, 50000}, MM: []float64{0, 10}, Poll: 20 * time.Millisecond})
	b.Wire(sensors.Drive, sensors.Wiring{Device: "quay-io", Discrete: address(0)})
	b.Wire(sensors.Released, sensors.Wiring{Device: "quay-io", Discrete: address(1)})
	b.Wire(sensors.Temperature, sensors.Wiring{Device: "quay-io", Input: address(1), Raw: []float64{0, 4095}, Deg: []float64{-20, 120}, Poll: 5 * time.Second})
	return b
}

// ideal takes from a brake all that a probe and contacts add, so that readings
// can be compared with the truth, and gives it a fine raw scale and a poll.
func ideal(b BrakeSpec, poll time.Duration) BrakeSpec {
	p := &b.Params
	p.NoiseUM, p.RippleUM, p.WanderMM, p.BouncePart, p.DriveBounceMS, p.SwitchBounceMS = 0, 0, 0, 0, 0, 0
	p.LevelUMPerK, p.GapUMPerK = 0, 0
	for _, w := range []*sensors.Wiring{b.Travel, b.Drive, b.Released} {
		w.Poll = poll
	}
	b.Travel.Type = sensors.F32
	return b
}

// plantOf is a plant of one brake on monday.
func plantOf(t *testing.T, b BrakeSpec) *Plant {
	t.Helper()
	p, err := NewPlant([]BrakeSpec{b}, monday(), 7)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// truths runs a plant on for some time and collects what is true.
func truths(p *Plant, to time.Time) []Truth {
	var list []Truth
	p.OnCycle(func(t Truth) { list = append(list, t) })
	p.AdvanceTo(to)
	p.OnCycle(nil)
	return list
}

func TestTruthIsWhatIdealReadingsShow(t *testing.T) {
	const poll = time.Millisecond
	b := ideal(wiredBrake(0, "quay-2/main"), poll)
	s, err := NewStream([]BrakeSpec{b}, monday(), monday().Add(9*time.Hour), 7)
	if err != nil {
		t.Fatal(err)
	}
	var want []Truth
	s.OnCycle(func(tr Truth) { want = append(want, tr) })

	// A plain reading of the samples: levels by the last sample before each
	// edge, times by the first sample beyond the share of the travel.
	type seen struct{ onNS, offNS int64 }
	var (
		travel               []sensors.Sample
		cycles               []seen
		lastDrive, driveSeen = 0.0, false
		buf                  = make([]sensors.Sample, 1000)
	)
	for n := s.Next(buf); n > 0; n = s.Next(buf) {
		for _, x := range buf[:n] {
			switch x.Signal {
			case sensors.Travel:
				travel = append(travel, x)
			case sensors.Drive:
				if driveSeen && x.Value != lastDrive {
					if x.Value == 1 {
						cycles = append(cycles, seen{onNS: x.AtNS})
					} else {
						cycles[len(cycles)-1].offNS = x.AtNS
					}
				}
				lastDrive, driveSeen = x.Value, true
			}
		}
	}
	if len(want) < 50 || len(cycles) < len(want) {
		t.Fatalf("%d truths and %d cycles seen; the test needs 50", len(want), len(cycles))
	}
	full, i := 0, 0
	for c, w := range want {
		got := cycles[c]
		if d := got.onNS - w.OnNS; d < 0 || d > 2*int64(poll) {
			t.Fatalf("cycle %d: drive seen on %d ns after the truth", c, d)
		}
		if d := got.offNS - w.OffNS; d < 0 || d > 2*int64(poll) {
			t.Fatalf("cycle %d: drive seen off %d ns after the truth", c, d)
		}
		level := func(atNS int64) float64 { // the last reading before a time
			for i+1 < len(travel) && travel[i+1].AtNS < atNS {
				i++
			}
			return travel[i].Value
		}
		before := level(w.OnNS)
		first := func(beyond func(float64) bool) int64 {
			for i+1 < len(travel) && !beyond(travel[i].Value) {
				i++
			}
			return travel[i].AtNS
		}
		if math.IsNaN(w.GapMM) {
			if w.OffNS-w.OnNS > 1e9 {
				t.Errorf("cycle %d: no gap though the drive was on for %d ns", c, w.OffNS-w.OnNS)
			}
			continue
		}
		full++
		from := i
		released := level(w.OffNS)
		i = from
		releaseNS := first(func(v float64) bool { return v-before >= 0.9*(released-before) })
		level(w.OffNS)
		after := level(w.OffNS + 800e6)
		for i = from; travel[i].AtNS < w.OffNS; i++ {
		}
		setNS := first(func(v float64) bool { return v-after <= 0.1*(released-after) })
		if gap := released - (before+after)/2; math.Abs(gap-w.GapMM) > 1e-5 {
			t.Errorf("cycle %d: gap %.6f seen, %.6f true", c, gap, w.GapMM)
		}
		if d := releaseNS - w.OnNS - secondsNS(w.ReleaseS); d < -1000 || d > 2*int64(poll) {
			t.Errorf("cycle %d: release seen %d ns after the truth of %.4f s", c, d, w.ReleaseS)
		}
		if d := setNS - w.OffNS - secondsNS(w.SetS); d < -1000 || d > 2*int64(poll) {
			t.Errorf("cycle %d: set seen %d ns after the truth of %.4f s", c, d, w.SetS)
		}
	}
	if full < 40 {
		t.Errorf("only %d of %d cycles were full", full, len(want))
	}
}

func TestWearAddsUp(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	p := plantOf(t, b)
	start, _ := p.GapMM(0)
	list := truths(p, monday().AddDate(0, 0, 60))
	sum, stops := 0.0, 0
	for i, c := range list {
		if want := start + sum; math.Abs(c.UnderlyingMM-want) > 1e-9 {
			t.Fatalf("cycle %d: underlying gap %.9f, the wear so far gives %.9f", i, c.UnderlyingMM, want)
		}
		sum += c.WearUM * 1e-3
		if c.WearUM > 0 {
			stops++
		}
	}
	mean, sd := sum*1e3/float64(stops), b.Params.WearUM*b.Params.WearCV/math.Sqrt(float64(stops))
	if stops < 15000 || math.Abs(mean-b.Params.WearUM) > 5*sd {
		t.Errorf("%d stops wore %.5f µm on average; it should be %.5f ± %.5f", stops, mean, b.Params.WearUM, sd)
	}
}

func TestNewLiningRunsIn(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	b.Params.WornCycles, b.Params.WearCV = 0, 0
	list := truths(plantOf(t, b), monday().AddDate(0, 0, 20))
	p := b.Params
	stops := 0.0
	for _, c := range list {
		if c.WearUM == 0 {
			continue
		}
		want := p.WearUM * (1 + p.RunInFactor*math.Exp(-stops/p.RunInCycles))
		if math.Abs(c.WearUM-want) > 1e-9 {
			t.Fatalf("stop %g wore %.6f µm, it should be %.6f", stops, c.WearUM, want)
		}
		stops++
	}
	if stops < 3*p.RunInCycles {
		t.Fatalf("only %g stops", stops)
	}
}

func TestWideGapReleasesLate(t *testing.T) {
	release := func(gapMM float64) float64 {
		b := wiredBrake(0, "quay-2/main")
		b.Params.TimeScatterS = 0
		p := plantOf(t, b)
		if err := p.Apply(Event{At: monday(), Brake: b.Name, Fault: NewLining, Amount: gapMM}); err != nil {
			t.Fatal(err)
		}
		sum, n := 0.0, 0.0
		for _, c := range truths(p, monday().Add(12*time.Hour)) {
			if c.OffNS-c.OnNS > 2e9 {
				sum, n = sum+c.ReleaseS, n+1
			}
		}
		return sum / n
	}
	if narrow, wide := release(1.6), release(3.2); !(wide > narrow+0.05) {
		t.Errorf("release takes %.3f s at 1.6 mm and %.3f s at 3.2 mm", narrow, wide)
	}
	if beyond := release(7.97); !math.IsNaN(beyond) {
		t.Errorf("release takes %.3f s at a gap that the magnet can't pull in", beyond)
	}
}

func TestLevelsStayWithLinearDriftWithinACycle(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), time.Millisecond)
	b.Params.DriftMMPerHour = 3.6 // a micrometre a second
	b.Params.SeatScatterUM = 0
	p := plantOf(t, b)
	list := truths(p, monday().Add(8*time.Hour))
	last := list[len(list)-1]
	p2 := plantOf(t, b)
	before := p2.Read(0, sensors.Travel, last.OnNS-1e9).Value
	after := p2.Read(0, sensors.Travel, last.OnNS-1).Value
	if math.Abs(after-before-0.001) > 1e-6 {
		t.Errorf("the zero drifted by %.6f mm in the second before drive-on, it should be 0.001", after-before)
	}
}

func TestParamsValidate(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*Params)
		want  string
	}{
		{"negative wear", func(p *Params) { p.WearUM = -1 }, "WearUM is -1; it must lie between 0 and 10000"},
		{"no number", func(p *Params) { p.NoiseUM = math.NaN() }, "NoiseUM is NaN; it must lie between 0 and 10000"},
		{"bounce beyond the release time's end", func(p *Params) { p.BouncePart = 0.1 }, "BouncePart is 0.1; it must lie between 0 and 0.09"},
		{"wandering without a time", func(p *Params) { p.WanderHours = 0 }, "WanderMM is 0.008 but WanderHours is 0; give the time over which the zero wanders"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := DefaultParams(1.6)
			c.spoil(&p)
			if err := p.Validate(); err == nil || err.Error() != c.want {
				t.Errorf("got %v, want %s", err, c.want)
			}
		})
	}
	if err := DefaultParams(1.6).Validate(); err != nil {
		t.Errorf("the defaults are refused: %v", err)
	}
}

package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// cyclesOf is one brake whose cycles a test makes up, one every two minutes.
type cyclesOf struct {
	r         *rand.Rand
	b         *Brake
	out       Out
	atNS      int64
	gap       float64 // underlying, mm
	wear      float64 // a cycle, mm
	noise     float64 // of a gap, mm
	stated    float64 // the uncertainty that a gap claims; 0 none
	probe     float64 // zero of the probe, mm
	release   float64 // at a gap of 1.6 mm, s
	timeNoise float64
}

func newCyclesOf(seed uint64, s Settings) *cyclesOf {
	return &cyclesOf{r: rand.New(rand.NewPCG(seed, 9)), b: New(s), atNS: lifeStart,
		gap: 1.6, wear: 5e-5, noise: 0.01, stated: 0.01, probe: 3, release: 0.16, timeNoise: 0.003}
}

// cycle makes one cycle and returns the findings of a condition that it raised.
func (c *cyclesOf) cycle(cond Condition) (raised []Finding) {
	c.atNS += int64(2 * time.Minute)
	c.gap += c.wear
	set := c.probe - (c.gap - 1.6)
	one := Cycle{AtNS: c.atNS, OnNS: 5e9, Kind: Full, GapMM: c.gap + c.noise*c.r.NormFloat64(), GapUMM: NoValue(),
		ReleaseS: c.release*(1+0.4*(c.gap/1.6-1)) + c.timeNoise*c.r.NormFloat64(), ReleaseUS: NoValue(),
		SetS: 0.17 + c.timeNoise*c.r.NormFloat64(), SetUS: NoValue(),
		SetLevelMM: set + 0.002*c.r.NormFloat64(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}
	if c.stated > 0 {
		one.GapUMM = c.stated
	}
	c.out.Reset()
	c.b.Recall(one, &c.out)
	return conditions(&c.out, cond)
}

func (c *cyclesOf) run(n int) {
	for range n {
		c.cycle(GapStep)
	}
}

func limits() Settings {
	return Settings{Name: "b", Limits: Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}}
}

// optimalDelay is after how many cycles, in the mean, the two-sided CUSUM that is
// best at it finds a step of three standard deviations, the first cycle after it
// counted, where one in 100,000 cycles is a false alarm: k = 1.5, h = 3.462, from
// zero.
func optimalDelay() float64 {
	return runLength{k: 1.5, h: decisionInterval(1.5, wantedRunLength, score{})}.oneSided(3)
}

// A step of three standard deviations of the noise is found within six cycles
// in the median, up or down, whatever uncertainty the gaps claim, and in the mean
// within 1.3 × the optimal CUSUM's. In full, without a chance granted:
//
//	go test ./analysis -run StepOfThreeSDs -v -args -full
func TestStepOfThreeSDsIsFoundWithinSixCycles(t *testing.T) {
	seeds, chance := uint64(100), 3.0
	if *full2000 {
		seeds, chance = 600, 0
	}
	optimal := optimalDelay()
	if math.Abs(optimal-2.987) > 0.001 {
		t.Errorf("the optimal CUSUM takes %.4f cycles", optimal)
	}
	s := limits()
	s.Charts = NewCharts()
	for _, stated := range []float64{0.01, 0.005, 0.03, 0} {
		var delays []float64
		var square float64
		for _, sign := range []float64{1, -1} {
			for seed := range seeds {
				c := stepAfter(seed, s, stated, sign*3*0.01)
				n := c.foundIn(sign, 200)
				delays = append(delays, float64(n))
				square += float64(n * n)
			}
		}
		m, n := mean(delays), float64(len(delays))
		se := math.Sqrt((square/n - m*m) / n)
		slices.Sort(delays)
		mid := delays[len(delays)/2]
		t.Logf("u stated as %g: median %g cycles, mean %.2f ± %.2f = %.2f × the optimum", stated, mid, m, se, m/optimal)
		if mid > 6 || m-chance*se > 1.3*optimal {
			t.Errorf("u stated as %g: median %g, mean %.2f cycles, optimum %.2f", stated, mid, m, optimal)
		}
	}
}

// stepAfter is one brake with 400 cycles of history whose gap then steps by mm.
func stepAfter(seed uint64, s Settings, stated, mm float64) *cyclesOf {
	c := newCyclesOf(seed, s)
	c.stated = stated
	c.run(400)
	c.gap += mm
	return c
}

// foundIn is after how many cycles a step of the gap that sign goes is told; most
// where it isn't until then.
func (c *cyclesOf) foundIn(sign float64, most int) int {
	for n := 1; n < most; n++ {
		if f := c.cycle(GapStep); len(f) > 0 && f[0].Value*sign > 0 {
			return n
		}
	}
	return most
}

// Where chance holds the first gaps after a step back, the filter follows it; it
// is found all the same. What neighbours have in common isn't learned from it.
func TestStepThatTheFilterFollowsIsFound(t *testing.T) {
	c := stepAfter(471, limits(), 0.005, -0.03)
	before := c.b.wear.neighbours.rho()
	c.run(heldGaps)
	if d := c.b.wear.neighbours.rho() - before; d > 0.03 {
		t.Errorf("correlation %.3f before the step, higher by %.3f within it", before, d)
	}
	if n := c.foundIn(-1, 100); n > 30 {
		t.Errorf("found after %d cycles more", n)
	}
}

// A step that may be as large as one that somebody should look at is told, even
// where the first gaps make it look smaller.
func TestStepsAreToldWhenTheyMayBeLarge(t *testing.T) {
	s := limits()
	s.Charts = NewCharts()
	for seed := range uint64(100) {
		c := newCyclesOf(seed, s)
		c.noise, c.stated = 0.003, 0.003
		c.run(400)
		c.gap += 0.012
		if n := c.foundIn(1, 60); n == 60 {
			t.Errorf("seed %d: a step of 12 µm among gaps of 3 µm isn't told", seed)
		}
	}
}

func TestOutliersDoNotMoveTheGap(t *testing.T) {
	c := newCyclesOf(1, limits())
	c.run(300)
	before, u := c.b.wear.gap, c.b.wear.u()
	for range 3 {
		c.b.wear.add(c.gap+20*c.noise, 0.01)
	}
	if d := c.b.wear.gap - before - 3*c.wear; math.Abs(d) > u {
		t.Errorf("three outliers in a row moved the gap by %.4f mm, its uncertainty is %.4f", d, u)
	}
}

// The first gap of a brake, and the first after work, may be a bad reading: neither
// the gap nor its scatter is taken from it, and no step is told.
func TestFirstGapMayBeABadReading(t *testing.T) {
	s := limits()
	s.Charts = NewCharts()
	for seed := range uint64(20) {
		for _, sign := range []float64{-1, 1} {
			c := newCyclesOf(seed, s)
			w := &c.b.wear
			w.add(c.gap+sign*20*c.noise, c.stated)
			fares := func(when string) {
				t.Helper()
				for range 40 {
					c.gap += c.wear
					if step := w.add(c.gap+c.noise*c.r.NormFloat64(), c.stated); step != 0 {
						t.Errorf("seed %d, %s: a step of %.3f mm is told", seed, when, step)
					}
				}
				if d := w.gap - c.gap; math.Abs(d) > 4*w.u() || w.u() > c.noise/2 {
					t.Errorf("seed %d, %s: off by %.4f mm, u %.4f", seed, when, d, w.u())
				}
				if w.noise.variance > 2.5 {
					t.Errorf("seed %d, %s: scatter taken for %.1f of the variance stated", seed, when, w.noise.variance)
				}
			}
			fares("at first")
			c.run(400)
			c.gap -= 0.5
			w.renewed = Adjustment
			w.add(c.gap+sign*20*c.noise, c.stated)
			fares("after work")
		}
	}
}

// Among the first gaps, whose scatter nobody knows yet, bad readings pass for it. Once
// it is known they are left out, and neither gap nor forecast is the worse for them.
func TestBadReadingsAmongTheFirst(t *testing.T) {
	s := limits()
	s.Charts = NewCharts()
	for seed := range uint64(20) {
		var kappa, early [2]float64
		for bad := range 2 {
			c := newCyclesOf(seed, s)
			w := &c.b.wear
			for i := range 400 {
				c.gap += c.wear
				off := c.noise * c.r.NormFloat64()
				if bad > 0 && (i == 3 || i == 14 || i == 21) {
					off = 30 * c.noise
				}
				if step := w.add(c.gap+off, NoValue()); step != 0 {
					t.Errorf("seed %d: a step of %.3f mm is told after %d", seed, step, i)
				}
				if i == 40 && math.Abs(w.gap-c.gap) > 5*w.u() {
					t.Errorf("seed %d: off by %.4f mm, u %.4f", seed, w.gap-c.gap, w.u())
				}
			}
			f := w.forecast("adjust", 2.8, c.atNS, &c.b.duty)
			kappa[bad], early[bad] = w.kappa, f.Cycles.P05
		}
		if kappa[1] > 3*kappa[0] || !(early[1] >= early[0]/1.5) {
			t.Errorf("seed %d: irregularity %.2g, earliest crossing in %.0f cycles; without bad readings %.2g and %.0f",
				seed, kappa[1], early[1], kappa[0], early[0])
		}
	}
}

// A scatter that was taken for far too small is found to be: good gaps are no bad
// readings for good. Bad ones, which come alone, still teach nothing.
func TestScatterRecovers(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	s := scale{variance: 0.005, dof: 200}
	for range 10000 {
		z := math.Round(r.NormFloat64())
		s.learn(z * z / s.variance)
	}
	if s.variance < 0.9 || s.variance > 1.25 {
		t.Errorf("from a variance of 0.005 to %.3f in 10,000 gaps that scatter by 1, in steps of 1", s.variance)
	}
	before := s.variance
	for i := range 2000 {
		z := math.Round(r.NormFloat64())
		if i%20 == 0 {
			z = 20
		}
		s.learn(z * z / s.variance)
	}
	if s.variance > 1.15*before {
		t.Errorf("bad readings widened it from %.3f to %.3f", before, s.variance)
	}
}

// Gaps written so coarsely that most of the first are equal have the scatter of
// their steps nevertheless.
func TestScatterOfCoarseGaps(t *testing.T) {
	s := limits()
	s.Charts = NewCharts()
	for seed := range uint64(3000) {
		c := newCyclesOf(seed, s)
		w := &c.b.wear
		for range warmGaps {
			c.gap += c.wear + 2e-4*c.r.NormFloat64()
			w.add(c.gap+0.0096*math.Round(c.r.NormFloat64()), 0.01)
		}
		if w.noise.variance < 0.1 {
			t.Errorf("seed %d: the scatter is taken for %.4f of the variance stated", seed, w.noise.variance)
		}
	}
}

// What happens to a brake is told apart.
func TestChangesAreToldApart(t *testing.T) {
	ring := limits()
	ring.Adjuster = Adjuster{Ring: &Ring{Holes: 6, PitchMM: 3, Uses: 3}}
	for name, one := range map[string]struct {
		happens func(c *cyclesOf)
		cycles  int
		want    ChangeKind
		alarm   bool // gap-step
		mm      float64
	}{
		"bumped probe":    {func(c *cyclesOf) { c.probe += 0.2 }, 20, ProbeMoved, false, 0.2},
		"adjustment":      {func(c *cyclesOf) { c.gap -= 0.5 }, 20, Adjusted, true, -0.5},
		"new lining":      {func(c *cyclesOf) { c.gap = 1.6 }, 1500, NewLining, true, NoValue()},
		"cracked lining":  {func(c *cyclesOf) { c.gap += 0.15 }, 20, GapRose, true, 0.15},
		"fell by little":  {func(c *cyclesOf) { c.gap -= 0.06 }, 20, GapFell, true, -0.06},
		"release slower":  {func(*cyclesOf) {}, 2500, ReleaseSlows, false, NoValue()},
		"nothing happens": {func(*cyclesOf) {}, 3000, NoChange, false, NoValue()},
	} {
		t.Run(name, func(t *testing.T) {
			c := newCyclesOf(3, ring)
			c.gap = 1.7
			if name == "new lining" {
				c.gap = 2.3
			}
			c.run(600)
			if k := c.b.Verdict().Change.Kind; k != NoChange {
				t.Fatalf("%s before anything happened", k)
			}
			one.happens(c)
			alarms := 0
			for i := range one.cycles {
				if name == "release slower" {
					c.release += 0.00004
				}
				extra := 0.0
				if name == "new lining" {
					extra = 3 * c.wear * math.Exp(-float64(i)/400)
				}
				c.gap += extra
				alarms += len(c.cycle(GapStep))
			}
			got := c.b.Verdict().Change
			if got.Kind != one.want {
				t.Errorf("taken for %q, want %q", got.Kind, one.want)
			}
			if Has(one.mm) && math.Abs(got.MM-one.mm) > 0.03 {
				t.Errorf("told as %.3f mm, want %.3f", got.MM, one.mm)
			}
			if alarms > 0 != one.alarm && got.Kind != Adjusted && got.Kind != NewLining {
				t.Errorf("%d alarms of gap-step", alarms)
			}
		})
	}
}

// A wide gap releases late; that alone is no creeping.
func TestReleaseTimeThatGrowsWithTheGapIsUsual(t *testing.T) {
	c := newCyclesOf(4, limits())
	c.run(20000)
	if k := c.b.Verdict().Change.Kind; k != NoChange {
		t.Errorf("after a whole life without an event: %q", k)
	}
}

// Where there is no wear it is said, with the earliest plausible date.
func TestNoWearSeenYet(t *testing.T) {
	wild := 0
	s := limits()
	s.Charts = NewCharts()
	for seed := range uint64(60) {
		c := newCyclesOf(seed, s)
		c.wear = 0
		for range 12 { // days with a hundred cycles
			c.run(100)
			c.atNS += int64(20 * time.Hour)
		}
		c.out.Reset()
		c.b.final(&c.out)
		f := c.out.Forecasts[0]
		if Has(f.Cycles.P50) || Has(f.Cycles.P95) || Has(f.DateNS.P50) || Has(f.WearUMPerK) {
			wild++
			continue
		}
		if !Has(f.Cycles.P05) || f.Cycles.P05 < 20000 || f.Cycles.P05 < 5e5 && !Has(f.DateNS.P05) {
			t.Errorf("seed %d: earliest plausible %.0f cycles, date %.0f", seed, f.Cycles.P05, f.DateNS.P05)
		}
	}
	if wild > 6 { // wear is told from zero at 95 %
		t.Errorf("wear was seen in %d of 60 brakes that don't wear", wild)
	}
}

// An adjustment keeps the rate: the forecast after it rests on what was learned
// before.
func TestAdjustmentKeepsTheRate(t *testing.T) {
	c := newCyclesOf(5, limits())
	c.run(8000)
	c.gap -= 0.4
	c.run(30)
	f := c.b.wear.forecast("adjust", 2.8, c.atNS, &c.b.duty)
	want := (2.8 - c.gap) / c.wear
	if !(f.Cycles.P05 < want && want < f.Cycles.P95) || f.Cycles.P95 > 1.3*want {
		t.Errorf("thirty cycles after it: %.0f, %.0f, %.0f cycles; truth %.0f", f.Cycles.P05, f.Cycles.P50, f.Cycles.P95, want)
	}
}

func BenchmarkForecast(b *testing.B) {
	for name, n := range map[string]int{"at a quarter": 6000, "at nine tenths": 21600} {
		b.Run(name, func(b *testing.B) {
			c := newCyclesOf(6, limits())
			c.run(n)
			for b.Loop() {
				c.b.wear.share()
				c.b.wear.forecast("adjust", 2.8, c.atNS, &c.b.duty)
			}
		})
	}
}

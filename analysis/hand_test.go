package analysis

import (
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"gapward/sensors"
)

// hand is a brake drawn by hand for these tests: straight ramps and white
// noise, nothing hidden. Times are seconds from handStart.
type hand struct {
	gapMM, noiseMM, stepMM float64
	delayS, rampS, pollS   float64
	driftMMPerS            float64
	runs                   [][2]float64 // drive on, drive off
	endS                   float64
	ripple                 func(t float64) float64 // while the drive is on
	travel                 func(t, mm float64) (float64, sensors.Quality)
	noDrive, noTravel      bool
	withSwitch             bool
}

const handStart = int64(1_790_000_000) * 1e9

func newHand(runs ...[2]float64) hand {
	h := hand{gapMM: 2, noiseMM: 0.005, stepMM: 0.00244, delayS: 0.08, rampS: 0.06, pollS: 0.02, runs: runs}
	if n := len(runs); n > 0 {
		h.endS = runs[n-1][1] + 3
	}
	return h
}

// evenRuns are n drive-ons of onS seconds with idleS between.
func evenRuns(n int, idleS, onS float64) (runs [][2]float64) {
	t := 0.0
	for range n {
		t += idleS
		runs = append(runs, [2]float64{t, t + onS})
		t += onS
	}
	return runs
}

// share of the travel at time t: 0 set, 1 released.
func (h *hand) share(t float64) (x float64, driven bool) {
	for _, r := range h.runs {
		if t < r[0] {
			break
		}
		up := math.Min(1, math.Max(0, (t-r[0]-h.delayS)/h.rampS))
		if t < r[1] {
			return up, true
		}
		top := math.Min(1, math.Max(0, (r[1]-r[0]+h.delayS-h.delayS)/h.rampS))
		x = math.Max(0, top-math.Max(0, (t-r[1]-h.delayS)/h.rampS))
	}
	return x, false
}

func (h *hand) samples(seed uint64) []sensors.Sample {
	rng := rand.New(rand.NewPCG(seed, 7))
	var out []sensors.Sample
	bit := map[bool]float64{true: 1}
	for t := 0.005; t < h.endS; t += h.pollS * (1 + 0.02*rng.NormFloat64()) {
		x, driven := h.share(t)
		mm := 3 + h.gapMM*x + h.driftMMPerS*t + h.noiseMM*rng.NormFloat64()
		if driven && h.ripple != nil {
			mm += h.ripple(t)
		}
		if h.stepMM > 0 {
			mm = math.Round(mm/h.stepMM) * h.stepMM
		}
		q := sensors.Good
		if h.travel != nil {
			mm, q = h.travel(t, mm)
		}
		at := handStart + int64(t*1e9)
		if !h.noTravel {
			out = append(out, sensors.Sample{AtNS: at, Signal: sensors.Travel, Value: mm, Quality: q})
		}
		if !h.noDrive {
			out = append(out, sensors.Sample{AtNS: at, Signal: sensors.Drive, Value: bit[driven]})
		}
		if h.withSwitch {
			out = append(out, sensors.Sample{AtNS: at, Signal: sensors.Released, Value: bit[x > 0.6]})
		}
	}
	return out
}

// handCharts are those of all brakes drawn by hand: each its own would take
// longer than most tests of them.
var handCharts = sync.OnceValue(NewCharts)

func handSettings() Settings {
	return Settings{Name: "test", Kind: Conical, Charts: handCharts(),
		Limits: Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4},
		Timing: Timing{Release: 250 * time.Millisecond, Set: 300 * time.Millisecond, NotReleasedAfter: time.Second, NotSetAfter: time.Second},
		Travel: SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second, ResolutionMM: 0.00244},
		Drive:  SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second},
	}
}

// feed runs samples through a new brake to the end.
func feed(s Settings, samples []sensors.Sample) *Out {
	b, out := New(s), &Out{}
	for _, one := range samples {
		b.Step(one, out)
	}
	b.Flush(out)
	return out
}

func conditions(out *Out, c Condition) (raised []Finding) {
	for _, f := range out.Findings {
		if f.Condition == c && f.Excess > 0 {
			raised = append(raised, f)
		}
	}
	return raised
}

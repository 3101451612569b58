package analysis_test

import (
	"math"
	"math/rand/v2"
	"time"

	"gapward/analysis"
	"gapward/simulator"
)

// A family is a kind of brake, probe and polling over which the measuring is
// scored. Each differs from the plain one in what its name says.
type family struct {
	name    string
	change  func(*simulator.Params)
	poll    polling
	on      [2]time.Duration
	idle    [2]time.Duration
	jogs    float64                       // part of the cycles that are jogs
	brakes  int                           // of these, each with fewer cycles; 0 one
	vary    func(f *family, part float64) // makes the brakes differ, by a part from −1 to 1
	longer  int                           // times as many cycles as other families have; 0 once
	thermal *analysis.Thermal
	worst   bool // data on which one cycle in a hundred may be missed
}

// polling is how the brake's signals reach the reading side.
type polling struct {
	period      time.Duration
	jitter      float64       // each poll is late by up to this part of the period
	driveOffset time.Duration // the drive is polled this much after the travel
	stepUM      float64       // quantisation
	lost        float64       // part of the polls that get no answer
	bad         float64       // part of the travel readings that the sensor calls bad
	spikes      float64       // part of the travel readings that are far off
	noDrive     bool
	withSwitch  bool
	switchStuck time.Duration // after so long the switch shows switchAt for good; 0 never
	switchAt    float64
	temperature bool // a thermometer is read every five seconds

	onChangeUM   float64       // the device reports by exception: what has changed by so much …
	atLeastEvery time.Duration // … or was last sent so long ago; period is how often it looks
}

func (p *polling) byException() bool { return p.onChangeUM > 0 }

func plainFamily(name string) family {
	return family{name: name,
		poll: polling{period: 20 * time.Millisecond, jitter: 0.1, stepUM: 2.44, driveOffset: time.Millisecond},
		on:   [2]time.Duration{600 * time.Millisecond, 15 * time.Second},
		idle: [2]time.Duration{time.Second, 20 * time.Second}, jogs: 0.1}
}

// several is the family with so many brakes, each with as many cycles as others
// have in all: what a brake learns once for all of its cycles, such as how long
// its contact bounces, is otherwise but one draw.
func (f family) several(brakes int) family {
	f.brakes, f.longer = brakes, brakes
	return f
}

// times is how many times as many cycles are scored as of other families.
func (f *family) times() int { return max(f.longer, 1) }

// brake is the family as its i-th brake makes it.
func (f family) brake(i int) family {
	if f.vary != nil {
		f.vary(&f, 2*(float64(i)+0.5)/float64(f.brakes)-1)
	}
	return f
}

// params are those of the simulated brake: nothing that wanders but what the
// family asks for.
func (f *family) params() simulator.Params {
	p := simulator.DefaultParams(2)
	p.WanderMM, p.WanderHours = 0, 0
	p.LevelUMPerK, p.GapUMPerK = 0, 0
	p.NoiseUM, p.RippleUM, p.RippleHz, p.DriveBounceMS, p.SwitchBounceMS = 5, 4, 11.3, 0, 0
	if f.change != nil {
		f.change(&p)
	}
	return p
}

func (f *family) duty() simulator.Duty {
	d := simulator.ContinuousDuty()
	d.BurstLifts, d.CreepShare, d.CreepOnly = 1e9, 0, 0
	d.On, d.Idle, d.JogShare = f.on, f.idle, f.jogs
	d.JogOn = [2]time.Duration{60 * time.Millisecond, 130 * time.Millisecond}
	return d
}

// warm is a family of so many brakes that are in continuous use, some 30 K above
// their surroundings. Their gaps grow by up to ±0.4 µm/K; or, where that is
// given, by what is given but for an error such as its uncertainty lets expect.
func warm(name string, brakes int, given *analysis.Thermal) family {
	f := plainFamily(name)
	f.poll.temperature = true
	f.brakes, f.longer = brakes, 10
	f.vary = func(f *family, part float64) {
		umPerK := 0.4 * part
		if given != nil {
			umPerK = 0.3
			f.thermal = &analysis.Thermal{UMPerK: umPerK - given.UUMPerK*math.Sqrt2*math.Erfinv(part), UUMPerK: given.UUMPerK}
		}
		f.change = func(p *simulator.Params) {
			p.GapUMPerK, p.LevelUMPerK, p.AmbientSwingK, p.HeatKPerS = umPerK, 0.5, 8, 0.02
		}
	}
	return f
}

// anything is a family of brakes whose figures lie anywhere within the ranges over
// which the measuring has to hold, each brake's by itself.
func anything(name string, brakes int, edit func(*polling)) family {
	f := plainFamily(name)
	edit(&f.poll)
	f.brakes, f.longer, f.worst = brakes, 4, true
	f.vary = func(f *family, part float64) {
		rng := rand.New(rand.NewPCG(math.Float64bits(part), uint64(f.poll.period)))
		within := func(least, most float64) float64 { return least + (most-least)*rng.Float64() }
		factor := func(least, most float64) float64 { return least * math.Pow(most/least, rng.Float64()) }
		sometimes := func(v float64) float64 {
			if rng.IntN(2) == 0 {
				return 0
			}
			return v
		}
		gap, bounce := within(0.8, 3), within(0.5, 20)
		noise, ripple, hz, drift, seats := factor(3, 25), factor(2, 20), within(5, 25), within(-0.2, 0.2), within(0, 30)
		high, often, long := within(0, 0.08), within(15, 50), within(0.01, 0.04)
		delay, travel := [2]float64{within(0.03, 0.15), within(0.03, 0.15)}, [2]float64{within(0.04, 0.15), within(0.04, 0.15)}
		scatter, driveBounce, switchBounce := factor(0.5, 6)*1e-3, sometimes(bounce), sometimes(bounce)
		f.change = func(p *simulator.Params) {
			p.InitialGapMM, p.PullInGapMM = gap, 5*gap
			p.ReleaseDelayS, p.SetDelayS, p.ReleaseTravelS, p.SetTravelS = delay[0], delay[1], travel[0], travel[1]
			p.BouncePart, p.BounceHz, p.BounceDecayS = high, often, long
			p.NoiseUM, p.RippleUM, p.RippleHz, p.DriftMMPerHour, p.SeatScatterUM = noise, ripple, hz, drift, seats
			p.TimeScatterS, p.DriveBounceMS, p.SwitchBounceMS = scatter, driveBounce, switchBounce
		}
		q := &f.poll
		q.stepUM, q.jitter, q.withSwitch = factor(0.6, 5), within(0, 0.2), rng.IntN(2) == 0
		q.driveOffset = time.Duration(within(0, math.Min(8e6, float64(q.period)/2)))
		q.lost, q.bad, q.spikes = sometimes(0.02), sometimes(0.03), sometimes(0.003)
		shortest := within(0.3, 1)
		f.on = [2]time.Duration{time.Duration(shortest * 1e9), time.Duration(factor(shortest+0.3, 15) * 1e9)}
		f.idle = [2]time.Duration{time.Second, time.Duration(within(2, 20) * 1e9)}
		f.jogs = within(0, 0.3)
		damping, spread := sometimes(within(0.5, 5)), sometimes(within(0, 1))
		before := f.change
		f.change = func(p *simulator.Params) { before(p); p.Damping, p.BounceSpread = damping, spread }
	}
	return f
}

// families spans the ranges over which the measuring has to hold.
func families() []family {
	make := func(name string, edit func(*family)) family {
		f := plainFamily(name)
		edit(&f)
		return f
	}
	params := func(name string, change func(*simulator.Params)) family {
		return make(name, func(f *family) { f.change = change })
	}
	poll := func(name string, edit func(*polling)) family {
		return make(name, func(f *family) { edit(&f.poll) })
	}
	bouncing := func(name string, bounceMS, spread float64, poll time.Duration) family {
		return make(name, func(f *family) {
			f.poll.period, f.poll.withSwitch = poll*time.Millisecond, true
			f.change = func(p *simulator.Params) {
				p.DriveBounceMS, p.SwitchBounceMS, p.BounceSpread = bounceMS, bounceMS, spread
			}
		})
	}
	return []family{
		plainFamily("plain"),
		poll("polls of 5 ms", func(p *polling) { p.period = 5 * time.Millisecond }),
		poll("polls of 10 ms", func(p *polling) { p.period = 10 * time.Millisecond }),
		poll("polls of 50 ms", func(p *polling) { p.period, p.driveOffset = 50*time.Millisecond, 3*time.Millisecond }),
		params("quiet", func(p *simulator.Params) { p.NoiseUM, p.RippleUM = 3, 2 }),
		params("noise 25 µm", func(p *simulator.Params) { p.NoiseUM = 25 }),
		params("ripple 20 µm 5 Hz", func(p *simulator.Params) { p.RippleUM, p.RippleHz = 20, 5.3 }),
		params("ripple 20 µm 11 Hz", func(p *simulator.Params) { p.RippleUM, p.RippleHz = 20, 11.3 }),
		params("ripple 11 ± 0.3 Hz", func(p *simulator.Params) { p.RippleUM, p.RippleHz, p.RippleScatterHz = 20, 11.3, 0.3 }),
		params("ripple 14 ± 3 Hz", func(p *simulator.Params) { p.RippleUM, p.RippleHz, p.RippleScatterHz = 20, 14, 3 }),
		params("ripple 20 µm 24 Hz", func(p *simulator.Params) { p.RippleUM, p.RippleHz = 20, 24.1 }),
		make("ripple, 5 ms, quiet", func(f *family) {
			f.poll.period = 5 * time.Millisecond
			f.change = func(p *simulator.Params) { p.NoiseUM, p.RippleUM, p.RippleHz = 3, 20, 7.7 }
		}).several(4),
		make("ripple, 50 ms", func(f *family) {
			f.poll.period = 50 * time.Millisecond
			f.change = func(p *simulator.Params) { p.NoiseUM, p.RippleUM, p.RippleHz = 3, 15, 13.1 }
		}),
		poll("step 0.6 µm", func(p *polling) { p.stepUM = 0.6 }),
		make("step 5 µm, quiet", func(f *family) {
			f.poll.stepUM = 5
			f.change = func(p *simulator.Params) { p.NoiseUM, p.RippleUM = 3, 2 }
		}),
		params("drift 0.2 mm/h", func(p *simulator.Params) { p.DriftMMPerHour = 0.2 }),
		params("drift −0.2 mm/h", func(p *simulator.Params) { p.DriftMMPerHour = -0.2 }),
		params("seats within 10 µm", func(p *simulator.Params) { p.SeatScatterUM = 10 }),
		params("seats within 30 µm", func(p *simulator.Params) { p.SeatScatterUM = 30 }),
		params("quick brake", func(p *simulator.Params) {
			p.ReleaseDelayS, p.ReleaseTravelS, p.SetDelayS, p.SetTravelS = 0.03, 0.04, 0.03, 0.04
		}),
		params("slow brake", func(p *simulator.Params) {
			p.ReleaseDelayS, p.ReleaseTravelS, p.SetDelayS, p.SetTravelS = 0.15, 0.15, 0.15, 0.15
		}),
		make("damped, 5 ms", func(f *family) {
			f.poll.period = 5 * time.Millisecond
			f.change = func(p *simulator.Params) {
				p.Damping, p.BouncePart, p.NoiseUM, p.RippleUM, p.RippleHz = 4, 0, 20, 15, 6.1
			}
		}),
		params("bounces high", func(p *simulator.Params) { p.BouncePart, p.BounceHz, p.BounceDecayS = 0.08, 20, 0.04 }),
		params("no bounce", func(p *simulator.Params) { p.BouncePart = 0 }),
		params("times scatter 8 ms", func(p *simulator.Params) { p.TimeScatterS = 0.008 }).several(4),
		params("gaps scatter 5 µm", func(p *simulator.Params) { p.GapScatterUM = 5 }),
		params("narrow gap", func(p *simulator.Params) { p.InitialGapMM, p.PullInGapMM = 0.9, 4.5 }),
		make("short cycles", func(f *family) {
			f.on = [2]time.Duration{300 * time.Millisecond, 900 * time.Millisecond}
			f.idle = [2]time.Duration{time.Second, 2 * time.Second}
		}),
		make("short cycles, 5 ms", func(f *family) {
			f.poll.period = 5 * time.Millisecond
			f.on = [2]time.Duration{300 * time.Millisecond, 900 * time.Millisecond}
			f.idle = [2]time.Duration{time.Second, 2 * time.Second}
		}).several(4),
		make("short cycles, ripple", func(f *family) {
			f.on = [2]time.Duration{300 * time.Millisecond, 1500 * time.Millisecond}
			f.idle = [2]time.Duration{time.Second, 3 * time.Second}
			f.change = func(p *simulator.Params) { p.RippleUM, p.RippleHz = 15, 6.1 }
		}),
		make("half of them jogs", func(f *family) { f.jogs = 0.5 }),
		bouncing("bounces 2 ms, polls 5", 2, 0, 5).several(12),
		bouncing("bounces 5 ms, polls 20", 5, 0, 20).several(12),
		bouncing("bounces 20 ms, polls 5", 20, 0, 5),
		bouncing("bounces 20 ms, polls 10", 20, 0, 10),
		bouncing("bounces 20 ms, polls 20", 20, 0, 20),
		bouncing("bounces 20 ms, polls 50", 20, 0, 50),
		bouncing("to 20 ms, polls 5", 20, 1, 5),
		bouncing("to 20 ms, polls 20", 20, 1, 20),
		poll("drive polled 9 ms later", func(p *polling) { p.driveOffset = 9 * time.Millisecond }),
		poll("polls lost 2 %", func(p *polling) { p.lost = 0.02 }),
		make("polls lost 10 %", func(f *family) { f.poll.lost, f.worst = 0.1, true }),
		poll("spikes 0.5 %", func(p *polling) { p.spikes = 0.005 }),
		poll("bad 5 %", func(p *polling) { p.bad = 0.05 }),
		poll("no drive", func(p *polling) { p.noDrive = true }),
		make("no drive, noise 25 µm", func(f *family) {
			f.poll.noDrive = true
			f.change = func(p *simulator.Params) { p.NoiseUM, p.RippleUM = 25, 20 }
		}),
		make("no drive, 5 ms", func(f *family) { f.poll.noDrive, f.poll.period = true, 5*time.Millisecond }),
		poll("on change of 5 µm", func(p *polling) {
			p.period, p.onChangeUM, p.atLeastEvery = 5*time.Millisecond, 5, time.Second
		}),
		poll("on change of 20 µm", func(p *polling) {
			p.period, p.onChangeUM, p.atLeastEvery = 5*time.Millisecond, 20, 250*time.Millisecond
		}),
		poll("on change of 50 µm", func(p *polling) {
			p.period, p.onChangeUM, p.atLeastEvery = 5*time.Millisecond, 50, 2*time.Second
		}),
		warm("temperature", 60, nil),
		warm("temperature, given", 60, &analysis.Thermal{UUMPerK: 0.03}),
		anything("anything, polls of 5", 30, func(p *polling) { p.period = 5 * time.Millisecond }),
		anything("anything, polls of 20", 30, func(*polling) {}),
		anything("anything, polls of 50", 30, func(p *polling) { p.period = 50 * time.Millisecond }),
		anything("anything, no drive", 30, func(p *polling) { p.noDrive = true }),
		make("worst", func(f *family) {
			f.worst = true
			f.poll = polling{period: 50 * time.Millisecond, jitter: 0.2, driveOffset: 7 * time.Millisecond, stepUM: 5,
				lost: 0.05, bad: 0.03, spikes: 0.003}
			f.change = func(p *simulator.Params) {
				p.NoiseUM, p.RippleUM, p.RippleHz, p.SeatScatterUM, p.DriftMMPerHour = 25, 20, 8.9, 30, 0.2
				p.DriveBounceMS, p.TimeScatterS = 20, 0.005
			}
		}).several(8),
	}
}

package analysis

import (
	"math"
	"math/rand/v2"
)

// fleet are the hyper-parameters of the simulated brakes of one model. Lengths
// are mm, work is counted in cycles.
type fleet struct {
	wayMM      float64 // from the target to the adjusting limit
	rateLog    float64 // brake-to-brake wear per cycle: mean …
	rateLogSD  float64 // … and standard deviation of its logarithm
	runIn      float64 // extra wear of a new lining's first cycle, as a multiple of the rate
	runInLogSD float64 // … from brake to brake
	runInTau   float64 // cycles in which it falls to 1/e: median …
	runInTauSD float64 // … and standard deviation of its logarithm, from brake to brake
	kappaMM    float64 // variance that wear adds, per mm of it
	dutyPower  float64 // wear of a cycle ~ (cycles of that day / their mean)^dutyPower
	noiseMM    float64 // standard deviation of a measured gap
	outliers   float64 // part of the measured gaps that are off by 20 × the noise
	jogs       float64 // part of the cycles that are too short to be measured
	perDay     float64 // cycles on a working day
	dayScatter float64 // relative standard deviation of a day's cycles
	saturday   float64 // part of a working day
	holiday    float64 // probability of a working day to be one off
	dutyChange float64 // probability of the duty to change for good, a year
}

// drawFleet draws the hyper-parameters of a model.
func drawFleet(r *rand.Rand) fleet {
	way := 0.8 + 0.8*r.Float64()
	cycles := math.Exp(math.Log(3000) + r.Float64()*math.Log(4))
	return fleet{
		wayMM: way, rateLog: math.Log(way / cycles), rateLogSD: 0.35,
		runIn: 1 + 3*r.Float64(), runInLogSD: 0.3, runInTau: cycles * (0.01 + 0.06*r.Float64()), runInTauSD: 0.3,
		kappaMM: way * math.Pow(0.01+0.03*r.Float64(), 2), dutyPower: 0.5 * r.Float64(),
		noiseMM: 0.005 * math.Pow(8, r.Float64()), outliers: 0.01, jogs: 0.15,
		perDay: 40 + 80*r.Float64(), dayScatter: 0.1 + 0.2*r.Float64(), saturday: float64(r.IntN(3)) / 2,
		holiday: 0.03, dutyChange: 0.3,
	}
}

// brakeLife is the truth of one simulated brake.
type brakeLife struct {
	fleet
	rate, runInF, tau float64
	fresh             bool // begins with a new lining

	cycles   []Cycle
	gapMM    []float64 // underlying, after each cycle
	level    []float64 // of the duty, each day
	crossing int       // index of the cycle at which the limit is reached
	adjusted int       // index of the cycle before which it was adjusted, 0 never
}

const lifeStart = int64(1767571200e9) // a Monday

// live draws a brake of the fleet and lives its life until the gap reaches the
// limit for good.
func (f fleet) live(r *rand.Rand) *brakeLife {
	l := &brakeLife{fleet: f}
	l.rate = math.Exp(f.rateLog + f.rateLogSD*r.NormFloat64())
	l.runInF = f.runIn * math.Exp(f.runInLogSD*r.NormFloat64())
	l.tau = f.runInTau * math.Exp(f.runInTauSD*r.NormFloat64())
	l.fresh = r.Float64() < 0.6
	stops := 0.0
	if !l.fresh {
		stops = 1e9
	}
	target, limit := 1.6, 1.6+f.wayMM
	gap := target + 0.1*f.wayMM*(r.Float64()-0.5)
	adjustAt := math.Inf(1)
	if r.Float64() < 0.4 {
		adjustAt = target + f.wayMM*(0.3+0.5*r.Float64())
	}
	dayNS := lifeStart
	level := 1.0
	for day := 0; ; day++ {
		n := l.dayCount(r, day, level)
		l.level = append(l.level, level)
		if r.Float64() < f.dutyChange/365 {
			level *= math.Exp(0.4 * r.NormFloat64())
		}
		load := math.Pow(math.Max(float64(n), 1)/f.perDay, f.dutyPower)
		for i := range n {
			at := dayNS + int64((6+16*(float64(i)+0.5)/float64(n))*3600e9)
			if gap > adjustAt {
				adjustAt = math.Inf(1)
				gap = target + 0.1*f.wayMM*(r.Float64()-0.5)
				l.adjusted = len(l.cycles)
			}
			c := Cycle{AtNS: at, OnNS: 5e9, Kind: Full, GapMM: NoValue(), GapUMM: NoValue(), ReleaseS: NoValue(), ReleaseUS: NoValue(),
				SetS: NoValue(), SetUS: NoValue(), SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}
			if r.Float64() < f.jogs {
				c.Kind = Jog
			} else {
				e := r.NormFloat64()
				if r.Float64() < f.outliers {
					e *= 20
				}
				c.GapMM, c.GapUMM = gap+e*f.noiseMM, f.noiseMM
			}
			mean := l.rate * load * (1 + l.runInF*math.Exp(-stops/l.tau))
			gap += mean + math.Sqrt(f.kappaMM*mean)*r.NormFloat64()
			stops++
			l.cycles, l.gapMM = append(l.cycles, c), append(l.gapMM, gap)
			if gap >= limit {
				l.crossing = len(l.cycles)
				return l
			}
		}
		dayNS += dayLengthNS
	}
}

const dayLengthNS = int64(86400e9)

// usual is how many cycles are made on a day that is no holiday.
func (f fleet) usual(day int, level float64) float64 {
	switch day % 7 {
	case 5:
		return f.perDay * level * f.saturday
	case 6:
		return 0
	}
	return f.perDay * level
}

func (f fleet) dayCount(r *rand.Rand, day int, level float64) int {
	mean := f.usual(day, level)
	if r.Float64() < f.holiday {
		mean = 0
	}
	return max(0, int(math.Round(mean*(1+f.dayScatter*r.NormFloat64())+math.Sqrt(mean)*r.NormFloat64())))
}

func (l *brakeLife) settings(family *Family, charts *Charts) Settings {
	s := Settings{Charts: charts, Name: "b", Kind: Conical, Model: "m", Family: family,
		Limits: Limits{MinMM: 1, TargetMM: 1.6, AdjustMM: 1.6 + l.wayMM, MaxMM: 1.6 + 1.5*l.wayMM}}
	return s
}

package simulator

import (
	"fmt"
	"math"
)

// Params describe one brake with its probe. The equations they enter are in
// the package comment.
type Params struct {
	// Gap and wear.
	InitialGapMM  float64 // gap when the model begins, mm
	WearUM        float64 // mean growth of the gap per stop, µm
	WearCV        float64 // scatter of the wear of single stops, as a part of their mean
	RunInFactor   float64 // extra wear of a new lining's first stop, as a multiple of WearUM …
	RunInCycles   float64 // … falling to 1/e after so many stops
	WornCycles    float64 // stops the lining has behind it when the model begins; as good as run in beyond 5 × RunInCycles
	GapScatterUM  float64 // scatter of the released level from stop to stop, µm
	SeatScatterUM float64 // scatter of the set level from stop to stop, µm

	// Times, at the initial gap.
	ReleaseDelayS  float64 // drive on until the travel begins, s
	ReleaseTravelS float64 // beginning to arrival, s
	SetDelayS      float64 // drive off until the travel begins, s
	SetTravelS     float64 // beginning to arrival, s
	TimeScatterS   float64 // scatter of both delays, s
	GapDelayPart   float64 // part of the release delay that grows with the gap
	PullInGapMM    float64 // gap from which on the magnet no longer pulls in, mm

	// Arrival.
	Damping      float64 // of both ways: the travel nears its end as 1 − e^(−Damping·τ); 0: undamped, it gets faster and faster
	BouncePart   float64 // height of the first bounce, as a part of the travel
	BounceHz     float64 // bounces per second
	BounceDecayS float64 // time in which they fall to 1/e, s

	// Probe.
	ProbeZeroMM     float64 // reading at the initial set level, mm
	RippleUM        float64 // amplitude while the motor runs, µm
	RippleHz        float64
	RippleScatterHz float64 // scatter of that from stop to stop: a motor turns as its load lets it
	NoiseUM         float64 // white noise, standard deviation, µm
	DriftMMPerHour  float64 // steady drift of the zero, mm/h
	WanderMM        float64 // random drift of the zero: standard deviation in the long run, mm …
	WanderHours     float64 // … and the time over which it forgets itself, h

	// Temperature.
	AmbientC      float64 // mean of the surroundings, °C
	AmbientSwingK float64 // amplitude of their daily rise and fall, K
	HeatKPerS     float64 // rise while the drive is on, K/s
	StopHeatK     float64 // rise by one stop, K
	CoolS         float64 // time constant of cooling, s
	LevelUMPerK   float64 // growth of both levels, µm/K: the probe's bracket
	GapUMPerK     float64 // growth of the gap, µm/K

	// Contacts.
	DriveBounceMS    float64 // time for which the drive contact bounces, ms
	SwitchBounceMS   float64 // time for which the release switch bounces, ms
	BounceSpread     float64 // by up to this part of it each bounce is shorter; 0: all are alike
	SwitchAt         float64 // part of the travel at which the release switch closes
	SwitchHysteresis float64 // how much further back it opens, as a part of the travel
}

// DefaultParams are those of a middling conical brake with a good probe, at a
// given gap in mm.
func DefaultParams(initialGapMM float64) Params {
	return Params{
		InitialGapMM: initialGapMM, WearUM: 0.05, WearCV: 0.5,
		RunInFactor: 3, RunInCycles: 400, WornCycles: 1e6,
		GapScatterUM: 1.5, SeatScatterUM: 1,
		ReleaseDelayS: 0.07, ReleaseTravelS: 0.09, SetDelayS: 0.06, SetTravelS: 0.08,
		TimeScatterS: 0.002, GapDelayPart: 0.5, PullInGapMM: 5 * initialGapMM,
		BouncePart: 0.03, BounceHz: 35, BounceDecayS: 0.025,
		ProbeZeroMM: 3, RippleUM: 4, RippleHz: 23.7, NoiseUM: 3,
		WanderMM: 0.008, WanderHours: 6,
		AmbientC: 18, AmbientSwingK: 5, HeatKPerS: 0.01, StopHeatK: 0.08, CoolS: 2400,
		LevelUMPerK: 0.4, GapUMPerK: 0.1,
		DriveBounceMS: 2, SwitchBounceMS: 3, SwitchAt: 0.8, SwitchHysteresis: 0.15,
	}
}

// Validate reports the first parameter with which the model makes no sense.
func (p Params) Validate() error {
	for _, c := range []struct {
		name   string
		value  float64
		lo, hi float64
	}{
		{"InitialGapMM", p.InitialGapMM, 0.01, 1000},
		{"WearUM", p.WearUM, 0, 1e4},
		{"WearCV", p.WearCV, 0, 3},
		{"RunInFactor", p.RunInFactor, 0, 1e3},
		{"RunInCycles", p.RunInCycles, 0, 1e9},
		{"WornCycles", p.WornCycles, 0, math.MaxFloat64},
		{"GapScatterUM", p.GapScatterUM, 0, 1e3},
		{"SeatScatterUM", p.SeatScatterUM, 0, 1e3},
		{"ReleaseDelayS", p.ReleaseDelayS, 0, 10},
		{"ReleaseTravelS", p.ReleaseTravelS, 0.001, 10},
		{"SetDelayS", p.SetDelayS, 0, 10},
		{"SetTravelS", p.SetTravelS, 0.001, 10},
		{"TimeScatterS", p.TimeScatterS, 0, 1},
		{"GapDelayPart", p.GapDelayPart, 0, 1},
		{"PullInGapMM", p.PullInGapMM, p.InitialGapMM * 1.01, math.MaxFloat64},
		{"Damping", p.Damping, 0, 20},
		{"BouncePart", p.BouncePart, 0, 0.09}, // higher ones would cross the 90 % that end the release time
		{"BounceHz", p.BounceHz, 0, 1e4},
		{"BounceDecayS", p.BounceDecayS, 0, 1},
		{"ProbeZeroMM", p.ProbeZeroMM, -1e4, 1e4},
		{"RippleUM", p.RippleUM, 0, 1e4},
		{"RippleHz", p.RippleHz, 0, 1e5},
		{"RippleScatterHz", p.RippleScatterHz, 0, 1e4},
		{"NoiseUM", p.NoiseUM, 0, 1e4},
		{"DriftMMPerHour", p.DriftMMPerHour, -10, 10},
		{"WanderMM", p.WanderMM, 0, 10},
		{"WanderHours", p.WanderHours, 0, 1e6},
		{"AmbientC", p.AmbientC, -60, 80},
		{"AmbientSwingK", p.AmbientSwingK, 0, 40},
		{"HeatKPerS", p.HeatKPerS, 0, 10},
		{"StopHeatK", p.StopHeatK, 0, 50},
		{"CoolS", p.CoolS, 1, 1e7},
		{"LevelUMPerK", p.LevelUMPerK, -100, 100},
		{"GapUMPerK", p.GapUMPerK, -100, 100},
		{"DriveBounceMS", p.DriveBounceMS, 0, 100},
		{"SwitchBounceMS", p.SwitchBounceMS, 0, 100},
		{"BounceSpread", p.BounceSpread, 0, 1},
		{"SwitchAt", p.SwitchAt, 0.05, 0.99},
		{"SwitchHysteresis", p.SwitchHysteresis, 0, p.SwitchAt - 0.01},
	} {
		if !(c.value >= c.lo && c.value <= c.hi) {
			return fmt.Errorf("%s is %g; it must lie between %g and %g", c.name, c.value, c.lo, c.hi)
		}
	}
	if p.WanderMM > 0 && p.WanderHours == 0 {
		return fmt.Errorf("WanderMM is %g but WanderHours is 0; give the time over which the zero wanders", p.WanderMM)
	}
	return nil
}

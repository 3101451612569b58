package analysis

import (
	"math"
	"time"
)

// Stop is one stop of a drive by its brake. Inertia and torques are referred to
// the brake's shaft.
type Stop struct {
	InertiaKGM2 float64 `yaml:"inertia_kgm2"`
	SpeedRPM    float64 `yaml:"speed_rpm"` // when the brake takes hold
	BrakeNM     float64 `yaml:"brake_nm"`  // torque of the brake
	LoadNM      float64 `yaml:"load_nm"`   // torque of the load: above zero drives on (lowering), below zero helps to stop (hoisting)
}

// Work is the friction work of the stop in joules, after VDI 2241:
// W = ½Jω² · T_B/(T_B − T_L), with the load's sign as in [Stop]. ok is false
// where the brake isn't stronger than the load: it never stops.
func (s Stop) Work() (joules float64, ok bool) {
	net := s.BrakeNM - s.LoadNM
	if !(s.BrakeNM > 0 && net > 0) {
		return NoValue(), false
	}
	w := s.omega()
	return s.InertiaKGM2 * w * w / 2 * s.BrakeNM / net, true
}

// Seconds is how long the brake slips, t3 of VDI 2241: Jω/(T_B − T_L).
func (s Stop) Seconds() (seconds float64, ok bool) {
	net := s.BrakeNM - s.LoadNM
	if !(s.BrakeNM > 0 && net > 0) {
		return NoValue(), false
	}
	return s.InertiaKGM2 * s.omega() / net, true
}

// omega is the speed in rad/s.
func (s Stop) omega() float64 { return s.SpeedRPM * math.Pi / 30 }

// After is the stop as it is when the brake takes hold only after a delay,
// during which the load alone drives: the speed is then another.
func (s Stop) After(delay time.Duration) Stop {
	s.SpeedRPM += s.LoadNM / s.InertiaKGM2 * delay.Seconds() * 30 / math.Pi
	return s
}

// DutyWindow is the period of IEC 60034-1's duty type S3 where no other is
// stated.
const DutyWindow = 10 * time.Minute

// Run is one running of a drive; OffNS is 0 while it still runs.
type Run struct{ OnNS, OffNS int64 }

// CyclicDurationFactor is the share of a window before endNS in which the drive
// ran, from 0 to 1: IEC 60034-1, duty type S3. Runs must not overlap.
func CyclicDurationFactor(runs []Run, endNS int64, window time.Duration) float64 {
	fromNS := endNS - int64(window)
	var on int64
	for _, r := range runs {
		off := r.OffNS
		if off == 0 || off > endNS {
			off = endNS
		}
		if d := off - max(r.OnNS, fromNS); d > 0 {
			on += d
		}
	}
	return float64(on) / float64(window)
}

// StartsPerHour is how many runs began in the hour before endNS.
func StartsPerHour(runs []Run, endNS int64) int {
	n := 0
	for _, r := range runs {
		if r.OnNS > endNS-int64(time.Hour) && r.OnNS <= endNS {
			n++
		}
	}
	return n
}

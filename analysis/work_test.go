package analysis

import (
	"testing"
	"time"
)

func stopOf(t *testing.T, row map[string]string) Stop {
	return Stop{InertiaKGM2: number(t, row, "J_kgm2"), SpeedRPM: number(t, row, "n_rpm"), BrakeNM: number(t, row, "T_brake_Nm"), LoadNM: number(t, row, "T_load_Nm")}
}

func TestBrakingWorkAgainstVDI2241(t *testing.T) {
	for _, row := range table(t, "brake_work.csv") {
		s := stopOf(t, row)
		if row["direction"] == "hoisting (load helps)" {
			s.LoadNM = -s.LoadNM
		}
		work, ok := s.Work()
		seconds, okT := s.Seconds()
		if !ok || !okT {
			t.Fatalf("%+v never stops", s)
		}
		near(t, "work", work, number(t, row, "W_friction_J"), 1e-8)
		near(t, "time", seconds, number(t, row, "t3_s"), 1e-8)
		// The work is the brake's torque over the angle it slips.
		near(t, "torque times angle", s.BrakeNM*number(t, row, "slip_angle_rad"), work, 1e-7)
	}
	for _, row := range table(t, "brake_work_with_delay.csv") {
		s := stopOf(t, row).After(time.Duration(number(t, row, "t11_s") * 1e9))
		near(t, "speed after the delay", s.omega(), number(t, row, "omega1_rad_s"), 1e-8)
		work, _ := s.Work()
		seconds, _ := s.Seconds()
		near(t, "work after a delay", work, number(t, row, "W_friction_J"), 1e-8)
		near(t, "time after a delay", seconds, number(t, row, "t3_s"), 1e-8)
	}
}

func TestBrakeWeakerThanItsLoadNeverStops(t *testing.T) {
	for _, s := range []Stop{{InertiaKGM2: 1, SpeedRPM: 1000, BrakeNM: 20, LoadNM: 20}, {InertiaKGM2: 1, SpeedRPM: 1000, BrakeNM: 20, LoadNM: 30}, {InertiaKGM2: 1, SpeedRPM: 1000}} {
		if w, ok := s.Work(); ok || Has(w) {
			t.Errorf("%+v stops with %v J", s, w)
		}
		if w, ok := s.Seconds(); ok || Has(w) {
			t.Errorf("%+v stops in %v s", s, w)
		}
	}
}

func TestDutyAgainstIEC60034(t *testing.T) {
	minute := float64(time.Minute)
	for _, row := range table(t, "iec60034_s3.csv") {
		on, cycle := number(t, row, "t_on_min")*minute, number(t, row, "cycle_min")*minute
		var runs []Run
		for i := range 5 {
			start := int64(float64(i)*cycle) + 1
			runs = append(runs, Run{start, start + int64(on)})
		}
		// Over one whole period the share is the same wherever it begins.
		for _, share := range []float64{0, 0.1, 0.5, 0.9} {
			end := int64((3 + share) * cycle)
			near(t, "cyclic duration factor", 100*CyclicDurationFactor(runs, end, time.Duration(cycle)), number(t, row, "cyclic_duration_factor_percent"), 1e-6)
		}
	}
}

func TestDutyOfRunsAcrossTheWindow(t *testing.T) {
	s := int64(time.Second)
	runs := []Run{{OnNS: 100 * s, OffNS: 300 * s}, {OnNS: 800 * s}} // still running
	near(t, "factor", CyclicDurationFactor(runs, 860*s, DutyWindow), (40.+60)/600, 1e-12)
	near(t, "factor while nothing ran", CyclicDurationFactor(runs[:1], 2000*s, DutyWindow), 0, 1e-12)
	if n := StartsPerHour(runs, 3700*s); n != 1 {
		t.Errorf("%d starts; the first lies exactly an hour back", n)
	}
}

package simulator

import (
	"testing"
	"time"

	"gapward/sensors"
)

func TestSpecsFor(t *testing.T) {
	var channels []sensors.Channel
	for _, b := range []BrakeSpec{wiredBrake(1, "quay-2/creep"), wiredBrake(0, "quay-2/main")} {
		for _, s := range sensors.Signals() {
			if s.Measured() {
				b.Wire(s, sensors.Wiring{Device: "quay-io", Step: time.Millisecond})
			}
			channels = append(channels, sensors.Channel{Brake: b.Index, Name: b.Name, Signal: s, Wiring: *b.wiring(s)})
		}
	}
	specs := SpecsFor(channels, DefaultDuty(300), 1, func(name string) float64 {
		if name == "quay-2/creep" {
			return 1
		}
		return 0
	})
	if len(specs) != 2 {
		t.Fatalf("%d brakes", len(specs))
	}
	for i, want := range []struct {
		name  string
		part  Part
		gapMM float64
	}{{"quay-2/main", MainDrive, 1.5}, {"quay-2/creep", CreepDrive, 1}} {
		s := specs[i]
		if s.Index != int32(i) || s.Name != want.name || s.Hoist != "quay-2" || s.Part != want.part || s.Params.InitialGapMM != want.gapMM {
			t.Errorf("brake %d is %d %s of %s, part %d, gap %g", i, s.Index, s.Name, s.Hoist, s.Part, s.Params.InitialGapMM)
		}
		for _, sig := range sensors.Signals() {
			if w := s.wiring(sig); w == nil || w.Device != "quay-io" {
				t.Errorf("%v of %s is not wired", sig, s.Name)
			}
		}
		if err := s.validate(); err != nil {
			t.Error(err)
		}
	}
	if specs[0].Params.WearUM == specs[1].Params.WearUM {
		t.Error("all brakes wear alike")
	}
}

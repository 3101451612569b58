package analysis_test

import (
	"testing"
	"time"

	"gapward/analysis"
	"gapward/sensors"
	"gapward/simulator"
)

// changesSeen runs a simulated brake for some days, with what happens to it,
// and lists the changes that were told and the alarms of gap-step.
func changesSeen(t *testing.T, days int, seed uint64, events ...simulator.Event) (kinds []string, steps int) {
	t.Helper()
	input, discrete := uint16(0), uint16(0)
	spec := simulator.BrakeSpec{Name: "a", Hoist: "h", Params: simulator.DefaultParams(1.7), Duty: simulator.DefaultDuty(120)}
	spec.Wire(sensors.Travel, sensors.Wiring{Device: "d", Input: &input, Raw: []float64{0, 4095}, MM: []float64{0, 10}, Poll: 20 * time.Millisecond})
	spec.Wire(sensors.Drive, sensors.Wiring{Device: "d", Discrete: &discrete})
	from := takenFrom()
	stream, err := simulator.NewStream([]simulator.BrakeSpec{spec}, from, from.AddDate(0, 0, days), seed)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		e.Brake = "a"
		if err := stream.Apply(e); err != nil {
			t.Fatal(err)
		}
	}
	b := analysis.New(analysis.Settings{Name: "a", Kind: analysis.Conical,
		Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4},
		Travel: analysis.SignalSettings{Present: true, Poll: 20 * time.Millisecond, ResolutionMM: 0.00244},
		Drive:  analysis.SignalSettings{Present: true, Poll: 20 * time.Millisecond}})
	var out analysis.Out
	buf := make([]sensors.Sample, 4096)
	var last analysis.Change
	for n := stream.Next(buf); n > 0; n = stream.Next(buf) {
		for _, s := range buf[:n] {
			b.Step(s, &out)
			for _, f := range out.Findings {
				if f.Condition == analysis.GapStep && f.Excess > 0 {
					steps++
				}
			}
			for _, v := range out.Verdicts {
				if c := v.Change; c.Kind != last.Kind || c.AtNS != last.AtNS {
					last = c
					t.Logf("day %.1f: %s by %.3f mm, %.4f s", float64(c.AtNS-from.UnixNano())/86400e9, c.Kind, c.MM, c.S)
					kinds = append(kinds, c.Kind.String())
				}
			}
			out.Reset()
		}
	}
	return kinds, steps
}

// From samples to the change told: a probe that wanders and warms by itself
// isn't taken for moved, and what happens is told for what it is.
func TestChangesOfASimulatedBrake(t *testing.T) {
	at := takenFrom().AddDate(0, 0, 8).Add(13 * time.Hour)
	for name, one := range map[string]struct {
		event []simulator.Event
		want  string
	}{
		"nothing":      {nil, ""},
		"bumped probe": {[]simulator.Event{{At: at, Fault: simulator.ProbeBumped, Amount: 0.12}}, "probe-moved"},
		"adjusted":     {[]simulator.Event{{At: at, Fault: simulator.Adjusted, Amount: 0.4}}, "adjusted"},
		"cracked":      {[]simulator.Event{{At: at, Fault: simulator.Adjusted, Amount: -0.1}}, "gap-rose"},
	} {
		t.Run(name, func(t *testing.T) {
			kinds, steps := changesSeen(t, 13, 3, one.event...)
			if one.want == "" && len(kinds) == 0 {
				return
			}
			if len(kinds) != 1 || kinds[0] != one.want {
				t.Errorf("told %v, want %q once", kinds, one.want)
			}
			if (steps > 0) != (one.want == "gap-rose") && one.want != "adjusted" {
				t.Errorf("%d alarms of gap-step", steps)
			}
		})
	}
}

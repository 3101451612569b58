package simulator_test

import (
	"fmt"
	"log"
	"time"

	"gapward/sensors"
	"gapward/simulator"
)

// A month of one brake's samples, with an adjustment in it.
func ExampleStream() {
	input, discrete := uint16(0), uint16(0)
	brake := simulator.BrakeSpec{Index: 0, Name: "quay-2/main", Hoist: "quay-2",
		Params: simulator.DefaultParams(1.6), Duty: simulator.DefaultDuty(300)}
	brake.Wire(sensors.Travel, sensors.Wiring{Device: "quay-io", Input: &input, Raw: []float64{0, 4095}, MM: []float64{0, 10}, Poll: 20 * time.Millisecond})
	brake.Wire(sensors.Drive, sensors.Wiring{Device: "quay-io", Discrete: &discrete})

	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	stream, err := simulator.NewStream([]simulator.BrakeSpec{brake}, from, from.AddDate(0, 0, 7), 1)
	if err != nil {
		log.Fatal(err)
	}
	if err := stream.Apply(simulator.Event{At: from.AddDate(0, 0, 4), Brake: "quay-2/main", Fault: simulator.Adjusted, Amount: 0.5}); err != nil {
		log.Fatal(err)
	}
	buf := make([]sensors.Sample, 4096)
	ordered, last := true, int64(0)
	for n := stream.Next(buf); n > 0; n = stream.Next(buf) {
		for _, s := range buf[:n] {
			ordered = ordered && s.AtNS >= last
			last = s.AtNS
		}
	}
	plant := stream.Plant() // goes on live from here
	gapMM, _ := plant.GapMM(0)
	fmt.Printf("in order: %v, gap after a week: %.1f mm\n", ordered, gapMM)
	// Output: in order: true, gap after a week: 1.2 mm
}

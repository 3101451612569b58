package simulator

import (
	"time"

	"gapward/sensors"
)

// wiredBrake is a brake of the hoist quay-2 with a 16-bit probe and a drive,
// release switch and thermometer, polled each 20 ms.
func wiredBrake(index int32, name string) BrakeSpec {
	b := BrakeSpec{Index: index, Name: name, Hoist: "quay-2", Params: DefaultParams(1.6), Duty: DefaultDuty(400)}
	address := func(a uint16) *uint16 { a += uint16(10 * index); return &a }
	b.Wire(sensors.Travel, sensors.Wiring{Device: "quay-io", Input: address(0), Raw: [2]float64{0, 65535}, MM: [2]float64{0, 10}, Poll: 20 * time.Millisecond})
	b.Wire(sensors.Drive, sensors.Wiring{Device: "quay-io", Discrete: address(0)})
	b.Wire(sensors.Released, sensors.Wiring{Device: "quay-io", Discrete: address(1)})
	b.Wire(sensors.Temperature, sensors.Wiring{Device: "quay-io", Input: address(1), Raw: [2]float64{0, 4095}, Deg: [2]float64{-20, 120}, Poll: 5 * time.Second})
	return b
}

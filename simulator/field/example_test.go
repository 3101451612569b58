package field_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"log"
	"net"
	"time"

	"gapward/sensors"
	"gapward/simulator"
	"gapward/simulator/field"
)

// A day of history, and its brake going on live behind a Modbus TCP server.
func Example() {
	input := uint16(0)
	devices := map[string]sensors.Device{"quay-io": {Modbus: "tcp://127.0.0.1:0", Unit: 1}}
	channels := []sensors.Channel{{Brake: 0, Name: "quay-2/main", Signal: sensors.Travel,
		Wiring: sensors.Wiring{Device: "quay-io", Input: &input, Raw: []float64{0, 4095}, MM: []float64{0, 10}}}}

	now := time.Now()
	brakes := simulator.SpecsFor(channels, simulator.ContinuousDuty(), 1, nil)
	stream, err := simulator.NewStream(brakes, now.AddDate(0, 0, -1), now, 1)
	if err != nil {
		log.Fatal(err)
	}
	buf := make([]sensors.Sample, 4096)
	for stream.Next(buf) > 0 { // the samples of yesterday
	}

	f, err := field.New(field.Config{Devices: devices, Channels: channels, Plant: stream.Plant()})
	if err != nil {
		log.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- f.Run(ctx) }()
	if err := f.Apply(simulator.Event{Brake: "quay-2/main", Fault: simulator.WireBreak}); err != nil {
		log.Fatal(err)
	}

	conn, err := net.Dial("tcp", f.Addr("quay-io"))
	if err != nil {
		log.Fatal(err)
	}
	defer conn.Close()
	reply := make([]byte, 11)
	if _, err := conn.Write([]byte{0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 1}); err != nil {
		log.Fatal(err)
	}
	if _, err := io.ReadFull(conn, reply); err != nil {
		log.Fatal(err)
	}
	fmt.Println("a broken wire reads", binary.BigEndian.Uint16(reply[9:]))
	cancel()
	fmt.Println("ended with", <-done)
	// Output:
	// a broken wire reads 65535
	// ended with <nil>
}

package modbus

import (
	"testing"
	"time"

	goburrow "github.com/goburrow/modbus"

	"gapward/sensors"
)

const benchBrakes = 16

// benchDevice answers register and bit reads with zeros, as fast as it can.
func benchDevice(b *testing.B) string {
	return serve(b, loadAnswers)
}

func perBrake(b *testing.B) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/benchBrakes, "ns/brake")
}

// BenchmarkPlannedPoll is one round of a source: travel of 16 brakes and their
// drive signals, in two requests, to 32 samples.
func BenchmarkPlannedPoll(b *testing.B) {
	var channels []sensors.Channel
	for i := range int32(benchBrakes) {
		channels = append(channels, input(i, uint16(4*i), time.Hour), discrete(i, uint16(2*i), time.Hour))
	}
	s, err := New("quay-io", sensors.Device{Modbus: "tcp://" + benchDevice(b), Unit: 1, Timeout: time.Second}, channels, nil, nil)
	if err != nil {
		b.Fatal(err)
	}
	out := make(chan []sensors.Sample, 1)
	r := newRun(b.Context(), s, out)
	defer s.link.close()
	b.ReportAllocs()
	for b.Loop() {
		for _, p := range r.waiting.polls {
			p.next = r.start
		}
		for n := 0; n < len(channels); {
			select {
			case batch := <-out:
				n += len(batch)
			default:
				r.step()
			}
		}
	}
	perBrake(b)
}

// BenchmarkRawLoop is the same without a plan: goburrow's own client asks for
// each brake's register and bit.
func BenchmarkRawLoop(b *testing.B) {
	h := goburrow.NewTCPClientHandler(benchDevice(b))
	h.SlaveId = 1
	if err := h.Connect(); err != nil {
		b.Fatal(err)
	}
	defer h.Close()
	client := goburrow.NewClient(h)
	b.ReportAllocs()
	for b.Loop() {
		for i := range uint16(benchBrakes) {
			if _, err := client.ReadInputRegisters(4*i, 1); err != nil {
				b.Fatal(err)
			}
			if _, err := client.ReadDiscreteInputs(2*i, 1); err != nil {
				b.Fatal(err)
			}
		}
	}
	perBrake(b)
}

// BenchmarkExchange is one read of 64 registers through our transport;
// BenchmarkExchangeRaw through goburrow's.
func BenchmarkExchange(b *testing.B) {
	l := newTCPLink(benchDevice(b), 1)
	defer l.close()
	ctx := b.Context()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := readFrom(ctx, l, 1, InputRegisters, 0, 64, time.Second); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkExchangeRaw(b *testing.B) {
	h := goburrow.NewTCPClientHandler(benchDevice(b))
	defer h.Close()
	client := goburrow.NewClient(h)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := client.ReadInputRegisters(0, 64); err != nil {
			b.Fatal(err)
		}
	}
}

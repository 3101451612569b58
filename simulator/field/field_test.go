package field

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/simulator"
)

func at(a uint16) *uint16 { return &a }

// hand is a clock that tests set.
type hand struct{ ns atomic.Int64 }

func (h *hand) now() time.Time          { return time.Unix(0, h.ns.Load()).UTC() }
func (h *hand) set(t time.Time)         { h.ns.Store(t.UnixNano()) }
func (h *hand) advance(d time.Duration) { h.ns.Add(int64(d)) }

// morning is a working hour.
func morning() time.Time { return time.Date(2026, 3, 3, 9, 0, 0, 0, time.UTC) }

// quaySite has two brakes on two units of one address, in every form that
// registers know.
func quaySite() (map[string]sensors.Device, []sensors.Channel) {
	devices := map[string]sensors.Device{
		"quay-io": {Modbus: "tcp://127.0.0.1:0", Unit: 1},
		"pit-io":  {Modbus: "tcp://127.0.0.1:0", Unit: 2},
	}
	main, creep := "quay-2/main", "quay-2/creep"
	return devices, []sensors.Channel{
		{Brake: 0, Name: main, Signal: sensors.Travel, Wiring: sensors.Wiring{Device: "quay-io", Input: at(0), Raw: []float64{0, 4095}, MM: []float64{0, 10}}},
		{Brake: 0, Name: main, Signal: sensors.Drive, Wiring: sensors.Wiring{Device: "quay-io", Discrete: at(0)}},
		{Brake: 0, Name: main, Signal: sensors.Released, Wiring: sensors.Wiring{Device: "quay-io", Discrete: at(1), Invert: true}},
		{Brake: 0, Name: main, Signal: sensors.Temperature, Wiring: sensors.Wiring{Device: "quay-io", Input: at(1), Type: sensors.S16, Raw: []float64{-200, 1200}, Deg: []float64{-20, 120}}},
		{Brake: 1, Name: creep, Signal: sensors.Travel, Wiring: sensors.Wiring{Device: "pit-io", Holding: at(100), Type: sensors.F32, Words: sensors.CDAB}},
		{Brake: 1, Name: creep, Signal: sensors.Drive, Wiring: sensors.Wiring{Device: "pit-io", Coil: at(7)}},
		{Brake: 1, Name: creep, Signal: sensors.Released, Wiring: sensors.Wiring{Device: "pit-io", Holding: at(102)}},
	}
}

// stand runs a field until the test ends.
func stand(t *testing.T, devices map[string]sensors.Device, channels []sensors.Channel, now func() time.Time) (*Field, *simulator.Plant) {
	t.Helper()
	plant, err := simulator.NewPlant(simulator.SpecsFor(channels, simulator.ContinuousDuty(), 3, nil), now(), 3)
	if err != nil {
		t.Fatal(err)
	}
	f, err := New(Config{Devices: devices, Channels: channels, Plant: plant, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("the field ended with %v", err)
			}
		case <-time.After(5 * time.Second):
			t.Error("the field doesn't end")
		}
	})
	return f, plant
}

// ask sends one read and returns the reply's bytes after function and count,
// or the exception.
func ask(t *testing.T, c net.Conn, unit, function byte, address, quantity uint16) (data []byte, exception byte) {
	t.Helper()
	request := []byte{0, 9, 0, 0, 0, 6, unit, function}
	request = binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(request, address), quantity)
	if _, err := c.Write(request); err != nil {
		t.Fatal(err)
	}
	b := reply(t, c)
	if b[7] != function {
		return nil, b[8]
	}
	return b[9:], 0
}

func TestRegistersShowThePlantAtTheMomentOfTheRead(t *testing.T) {
	var clock hand
	clock.set(morning())
	devices, channels := quaySite()
	f, plant := stand(t, devices, channels, clock.now)
	if f.Addr("quay-io") == "" || f.Addr("quay-io") != f.Addr("pit-io") || strings.HasSuffix(f.Addr("quay-io"), ":0") {
		t.Fatalf("the devices are at %q and %q", f.Addr("quay-io"), f.Addr("pit-io"))
	}
	c := client(t, f.Addr("quay-io"))
	driven := 0
	for range 3000 {
		clock.advance(20 * time.Millisecond)
		ns := clock.now().UnixNano()
		is := func(brake int32, s sensors.Signal) float64 { return plant.Read(brake, s, ns).Value }

		in, _ := ask(t, c, 1, 4, 0, 2)
		travel := float64(binary.BigEndian.Uint16(in)) / 4095 * 10
		if want := is(0, sensors.Travel); math.Abs(travel-want) > 10.0/4095/2+1e-9 {
			t.Fatalf("travel reads %.5f mm, it is %.5f", travel, want)
		}
		degrees := float64(int16(binary.BigEndian.Uint16(in[2:]))) / 10
		if want := is(0, sensors.Temperature); math.Abs(degrees-want) > 0.051 {
			t.Fatalf("the temperature reads %.2f °C, it is %.2f", degrees, want)
		}
		bits, _ := ask(t, c, 1, 2, 0, 2)
		if want := byte(is(0, sensors.Drive)) | byte(1-is(0, sensors.Released))<<1; bits[0] != want {
			t.Fatalf("drive and inverted switch read %02b, they are %02b", bits[0], want)
		}
		driven += int(bits[0] & 1)
		h, _ := ask(t, c, 2, 3, 100, 3)
		f32 := math.Float32frombits(uint32(binary.BigEndian.Uint16(h[2:]))<<16 | uint32(binary.BigEndian.Uint16(h)))
		if want := float32(is(1, sensors.Travel)); f32 != want {
			t.Fatalf("the creep brake's travel reads %g mm, it is %g", f32, want)
		}
		if got, want := binary.BigEndian.Uint16(h[4:]), uint16(is(1, sensors.Released)); got != want {
			t.Fatalf("the switch in a register reads %d, it is %d", got, want)
		}
		coil, _ := ask(t, c, 2, 1, 7, 1)
		if want := byte(is(1, sensors.Drive)); coil[0] != want {
			t.Fatalf("the creep drive reads %d, it is %d", coil[0], want)
		}
	}
	if driven < 100 {
		t.Errorf("the drive was on in %d readings only", driven)
	}
	for _, bad := range []struct {
		unit, function    byte
		address, quantity uint16
		exception         byte
	}{{1, 4, 2, 1, 2}, {1, 4, 0, 3, 2}, {1, 3, 0, 1, 2}, {2, 1, 6, 2, 2}, {3, 4, 0, 1, 11}} {
		if _, got := ask(t, c, bad.unit, bad.function, bad.address, bad.quantity); got != bad.exception {
			t.Errorf("%+v is answered with exception %d", bad, got)
		}
	}
}

func TestLiveFaultsShowOnTheWire(t *testing.T) {
	var clock hand
	clock.set(morning())
	devices, channels := quaySite()
	f, _ := stand(t, devices, channels, clock.now)
	c := client(t, f.Addr("quay-io"))
	raw := func() uint16 {
		b, _ := ask(t, c, 1, 4, 0, 1)
		return binary.BigEndian.Uint16(b)
	}
	apply := func(ev simulator.Event) {
		t.Helper()
		ev.Brake = "quay-2/main"
		if err := f.Apply(ev); err != nil {
			t.Fatal(err)
		}
	}
	before := raw()
	apply(simulator.Event{Fault: simulator.ProbeBumped, Amount: 1})
	if d := float64(raw()) - float64(before); math.Abs(d-409.5) > 1 {
		t.Errorf("a bump of 1 mm moved the raw value by %g counts", d)
	}
	apply(simulator.Event{Fault: simulator.WireBreak})
	if got := raw(); got != 65535 {
		t.Errorf("a broken wire reads %d", got)
	}
	apply(simulator.Event{Fault: simulator.WireBreak, Off: true})
	if got := raw(); got > 4095 {
		t.Errorf("the mended wire reads %d", got)
	}
	apply(simulator.Event{Fault: simulator.DeviceSilent, Lasts: time.Second})
	if err := c.SetReadDeadline(time.Now().Add(50 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Write([]byte{0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 1}); err != nil {
		t.Fatal(err)
	}
	if n, err := c.Read(make([]byte, 1)); n != 0 || !os.IsTimeout(err) {
		t.Errorf("a silent device answers (%d bytes, %v)", n, err)
	}
	other := client(t, f.Addr("pit-io"))
	if _, exception := ask(t, other, 2, 3, 100, 2); exception != 0 {
		t.Errorf("the other device gives exception %d", exception)
	}
	clock.advance(time.Second)
	if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	raw() // it speaks again
	apply(simulator.Event{Fault: simulator.SlowNetwork, Amount: 0.06})
	began := time.Now()
	raw()
	if took := time.Since(began); took < 60*time.Millisecond {
		t.Errorf("over a network slower by 60 ms the reply took %v", took)
	}
	if err := f.Apply(simulator.Event{Brake: "quay-9/main", Fault: simulator.WireBreak}); err == nil {
		t.Error("a brake that isn't there takes a fault")
	}
}

func TestBrakesMayShareADriveContact(t *testing.T) {
	var clock hand
	clock.set(morning())
	devices := map[string]sensors.Device{"io": {Modbus: "tcp://127.0.0.1:0"}}
	channels := []sensors.Channel{
		{Brake: 0, Name: "q/main", Signal: sensors.Drive, Wiring: sensors.Wiring{Device: "io", Discrete: at(0)}},
		{Brake: 1, Name: "q/second", Signal: sensors.Drive, Wiring: sensors.Wiring{Device: "io", Discrete: at(0)}},
	}
	f, plant := stand(t, devices, channels, clock.now)
	c := client(t, f.Addr("io"))
	for range 500 {
		clock.advance(50 * time.Millisecond)
		b, _ := ask(t, c, 200, 2, 0, 1) // a device without a unit answers to any
		ns := clock.now().UnixNano()
		want := max(plant.Read(0, sensors.Drive, ns).Value, plant.Read(1, sensors.Drive, ns).Value)
		if float64(b[0]) != want {
			t.Fatalf("the shared contact reads %d, it is %g", b[0], want)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	travel := func(w sensors.Wiring) sensors.Channel {
		w.Device = "io"
		return sensors.Channel{Name: "q/main", Signal: sensors.Travel, Wiring: w}
	}
	tcp := sensors.Device{Modbus: "tcp://127.0.0.1:0"}
	for _, c := range []struct {
		name     string
		device   sensors.Device
		channels []sensors.Channel
		want     string
	}{
		{"a line of no rate", sensors.Device{Modbus: "rtu:///dev/ttyUSB0?baud=fast"}, nil, `simulate: device io: its baud is "fast", which is no rate`},
		{"a line of no parity", sensors.Device{Modbus: "rtu+tcp://127.0.0.1:0?parity=some"}, nil, `simulate: device io: its parity is "some"; it must be none, even or odd`},
		{"no address", sensors.Device{}, nil, "simulate: device io: it has neither a modbus nor an mqtt address"},
		{"another scheme", sensors.Device{Modbus: "udp://h:1"}, nil, "simulate: device io: its modbus address udp://h:1 begins neither with tcp:// nor with rtu:// or rtu+tcp://"},
		{"another MQTT scheme", sensors.Device{MQTT: "http://h:1"}, nil, "simulate: device io: its mqtt address http://h:1 is not of the form mqtt://host:port or mqtts://host:port"},
		{"no topic", sensors.Device{MQTT: "mqtt://127.0.0.1:1"}, []sensors.Channel{travel(sensors.Wiring{Input: at(0)})}, "simulate: device io: travel of q/main has no topic"},
		{"no register", tcp, []sensors.Channel{travel(sensors.Wiring{Topic: "t"})}, "simulate: device io: travel of q/main has no Modbus address"},
		{"a number in a bit", tcp, []sensors.Channel{travel(sensors.Wiring{Coil: at(3)})}, "simulate: device io: travel of q/main is wired to coil 3, which can't hold a number"},
		{"two in one register", tcp, []sensors.Channel{travel(sensors.Wiring{Input: at(3), Type: sensors.U32}), travel(sensors.Wiring{Input: at(4)})},
			"simulate: device io: travel of q/main and travel of q/main are both wired to input register 4"},
		{"beyond the end", tcp, []sensors.Channel{travel(sensors.Wiring{Input: at(65535), Type: sensors.F32})}, "simulate: device io: travel of q/main needs 2 registers from 65535 on, beyond the last address"},
		{"unknown type", tcp, []sensors.Channel{travel(sensors.Wiring{Input: at(0), Type: "u64"})}, `simulate: device io: travel of q/main has the unknown type "u64"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := New(Config{Devices: map[string]sensors.Device{"io": c.device}, Channels: c.channels})
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
	stray := travel(sensors.Wiring{Input: at(0)})
	stray.Wiring.Device = "nowhere"
	if _, err := New(Config{Channels: []sensors.Channel{stray}}); err == nil || err.Error() != `simulate: travel of q/main is on the device "nowhere", which doesn't exist` {
		t.Errorf("a channel without its device gives %v", err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	_, err = New(Config{Devices: map[string]sensors.Device{"io": {Modbus: "tcp://" + taken.Addr().String()}}})
	if err == nil || !strings.Contains(err.Error(), "device io: listening on "+taken.Addr().String()) {
		t.Errorf("a port that is taken gives %v", err)
	}
}

// The bytes of 123.456 as an IEEE 754 single are 42 F6 E9 79, as every
// converter shows; those of the integers are their two's complement.
func TestEncode(t *testing.T) {
	for _, c := range []struct {
		raw   float64
		t     sensors.DataType
		order sensors.WordOrder
		want  []byte
	}{
		{4095, "", "", []byte{0x0F, 0xFF}},
		{65535, sensors.U16, sensors.DCBA, []byte{0xFF, 0xFF}},
		{-2, sensors.S16, "", []byte{0xFF, 0xFE}},
		{-32768, sensors.S16, "", []byte{0x80, 0x00}},
		{4294967295, sensors.U32, "", []byte{0xFF, 0xFF, 0xFF, 0xFF}},
		{0x01020304, sensors.U32, sensors.ABCD, []byte{1, 2, 3, 4}},
		{0x01020304, sensors.U32, sensors.CDAB, []byte{3, 4, 1, 2}},
		{0x01020304, sensors.S32, sensors.BADC, []byte{2, 1, 4, 3}},
		{0x01020304, sensors.S32, sensors.DCBA, []byte{4, 3, 2, 1}},
		{-2, sensors.S32, "", []byte{0xFF, 0xFF, 0xFF, 0xFE}},
		{123.456, sensors.F32, "", []byte{0x42, 0xF6, 0xE9, 0x79}},
		{123.456, sensors.F32, sensors.DCBA, []byte{0x79, 0xE9, 0xF6, 0x42}},
	} {
		words := encode(c.raw, c.t, c.order)
		got := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(nil, words[0]), words[1])[:2*wordsOf(c.t)]
		if !bytes.Equal(got, c.want) {
			t.Errorf("%g as %s %s is % X, it should be % X", c.raw, c.t, c.order, got, c.want)
		}
	}
}

// mbpoll is an independent client, built on libmodbus.
func TestMbpollReadsEveryTable(t *testing.T) {
	mbpoll, err := exec.LookPath("mbpoll")
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatal("mbpoll is not installed")
		}
		t.Skip("mbpoll is not installed: apt-get install mbpoll")
	}
	var clock hand
	clock.set(morning().Add(7 * time.Second))
	devices, channels := quaySite()
	f, plant := stand(t, devices, channels, clock.now)
	_, port, err := net.SplitHostPort(f.Addr("quay-io"))
	if err != nil {
		t.Fatal(err)
	}
	ns := clock.now().UnixNano()
	for _, c := range []struct {
		unit, kind string
		address    int
		want       string
	}{
		{"1", "3", 0, fmt.Sprint(math.Round(plant.Read(0, sensors.Travel, ns).Value / 10 * 4095))},
		{"1", "1", 0, fmt.Sprint(plant.Read(0, sensors.Drive, ns).Value)},
		{"1", "1", 1, fmt.Sprint(1 - plant.Read(0, sensors.Released, ns).Value)},
		{"2", "0", 7, fmt.Sprint(plant.Read(1, sensors.Drive, ns).Value)},
		{"2", "4", 102, fmt.Sprint(plant.Read(1, sensors.Released, ns).Value)},
		{"2", "4:float", 100, strconv.FormatFloat(plant.Read(1, sensors.Travel, ns).Value, 'g', 6, 32)},
	} {
		out, err := exec.CommandContext(t.Context(), mbpoll, "-m", "tcp", "-p", port, "-a", c.unit, "-t", c.kind,
			"-0", "-r", strconv.Itoa(c.address), "-c", "1", "-1", "-q", "127.0.0.1").CombinedOutput()
		if err != nil {
			t.Fatalf("unit %s, table %s, address %d: %v\n%s", c.unit, c.kind, c.address, err, out)
		}
		got := regexp.MustCompile(`(?m)^\[\d+\]:\s+(\S+)`).FindSubmatch(out)
		if got == nil || string(got[1]) != c.want {
			t.Errorf("unit %s, table %s, address %d reads %s, it should be %s\n%s", c.unit, c.kind, c.address, got, c.want, out)
		}
	}
	if out, err := exec.CommandContext(t.Context(), mbpoll, "-m", "tcp", "-p", port, "-a", "1", "-t", "3", "-0", "-r", "5", "-c", "1", "-1", "-q", "127.0.0.1").CombinedOutput(); err == nil {
		t.Errorf("a register that isn't there is read:\n%s", out)
	}
}

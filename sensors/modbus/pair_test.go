package modbus

import (
	"math/rand/v2"
	"testing"
	"time"

	"gapward/sensors"
)

func on(device string, c sensors.Channel) sensors.Channel {
	c.Wiring.Device = device
	return c
}

// Bits that go with several blocks of registers are read in parts, each beside
// its own, two at most; and registers that go with several blocks of bits too.
func TestDriveStandsBesideTravel(t *testing.T) {
	const fast = 20 * time.Millisecond
	var cards, spread []sensors.Channel
	for i := range int32(4) {
		cards = append(cards, input(i, 200*uint16(i), fast), discrete(i, uint16(i), fast))
		spread = append(spread, input(i, uint16(i), fast), discrete(i, 1000*uint16(i), fast))
	}
	for name, c := range map[string]struct {
		channels []sensors.Channel
		want     string
	}{
		"two blocks share their bits":  {cards[:4], "4:0+1@20ms 2:0+2@20ms 4:200+1@20ms"},
		"four blocks of registers":     {cards, "4:0+1@20ms 2:0+2@20ms 4:200+1@20ms 4:400+1@20ms 2:2+2@20ms 4:600+1@20ms"},
		"four blocks of bits":          {spread, "2:0+1@20ms 4:0+2@20ms 2:1000+1@20ms 2:2000+1@20ms 4:2+2@20ms 2:3000+1@20ms"},
		"a drive at another's address": {append(cards[:4:4], discrete(2, 0, fast), input(2, 201, fast)), "4:0+1@20ms 2:0+2@20ms 4:200+2@20ms"},
	} {
		p, err := PlanDevice(sensors.Device{Modbus: "tcp://quay-io", Unit: 1}, c.channels)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if got := blocks(p); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// However two devices of one bus are wired, drive and travel of one brake come
// in one request or in neighbours, and each signal is still read once.
func TestAnyDriveStandsBesideItsTravel(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 8))
	devices := map[string]sensors.Device{"a-io": {Modbus: "tcp://hall", Unit: 1}, "b-io": {Modbus: "tcp://hall", Unit: 2}}
	parted := 0
	for trial := range 300 {
		space := 1 << (3 + rnd.IntN(12))
		name := func() string { return []string{"a-io", "a-io", "a-io", "b-io"}[rnd.IntN(4)] }
		var channels []sensors.Channel
		for b := range int32(1 + rnd.IntN(60)) {
			period := time.Duration(1+rnd.IntN(2)) * 20 * time.Millisecond
			channels = append(channels, on(name(), input(b, uint16(rnd.IntN(space)), period)), on(name(), discrete(b, uint16(rnd.IntN(space)), period)))
		}
		p, err := PlanBus(devices, channels)
		if err != nil {
			t.Fatal(err)
		}
		read := map[sensors.Signal]map[int32]int{sensors.Travel: {}, sensors.Drive: {}}
		n := 0
		for i := range p.Requests {
			r := &p.Requests[i]
			if most := map[bool]int{true: maxBits, false: maxRegisters}[r.Table.bits()]; len(r.Channels) == 0 || int(r.Quantity) > most {
				t.Fatalf("%v asks for %d and brings %d signals", r, r.Quantity, len(r.Channels))
			}
			for _, s := range r.slots() {
				if s.table != r.Table || s.address < r.Address || s.end() > int(r.Address)+int(r.Quantity) || s.channel.Wiring.Device != r.Device {
					t.Fatalf("%v doesn't hold %+v", r, s.place)
				}
				read[s.channel.Signal][s.channel.Brake] = i
				n++
			}
		}
		if n != len(channels) {
			t.Fatalf("%d of %d signals are read", n, len(channels))
		}
		var skews map[int32]Skew
		if trial%50 == 0 {
			skews = p.Skews(0)
		}
		for b, d := range read[sensors.Drive] {
			apart := max(d-read[sensors.Travel][b], read[sensors.Travel][b]-d)
			if told, ok := skews[b]; apart > 1 || ok && told.Requests != apart {
				t.Fatalf("drive and travel of brake %d are %d requests apart (told: %d): %s", b, apart, told.Requests, blocks(p))
			}
			parted += apart
		}
	}
	if parted < 1000 {
		t.Errorf("only %d brakes have drive and travel in two requests", parted)
	}
}

// By hand, at 115200 Bd: one bit takes 14 characters and two silences, 4.836806
// ms, a register 15, 4.932292 ms (testdata/rtu_poll_period.csv and its like for
// bits); with 5 ms of turnaround each, the middles lie half of both apart. With a
// third request of 8 ms on the way each 30 ms, whose deadline comes before
// theirs, that lies between them at worst.
func TestSkew(t *testing.T) {
	const ms = time.Millisecond
	line := sensors.Device{Modbus: "rtu:///dev/ttyUSB0?baud=115200", Unit: 1}
	p, err := PlanDevice(line, []sensors.Channel{input(0, 0, 40*ms), discrete(0, 0, 40*ms)})
	if err != nil {
		t.Fatal(err)
	}
	if s := p.Skews(AssumedTurnaround)[0]; s.Requests != 1 || !near(s.Apart, (4.836806+4.932292)/2+5) {
		t.Errorf("on a line: %+v", s)
	}
	drive, travel, switched := discrete(0, 0, 60*ms), input(0, 0, 60*ms), discrete(1, 9, 30*ms)
	tcp := Plan{InFlight: 1, Requests: []Request{
		{Table: DiscreteInputs, Quantity: 1, Period: 30 * ms, Turnaround: 8 * ms, Channels: []sensors.Channel{switched}},
		{Table: DiscreteInputs, Quantity: 1, Period: 60 * ms, Turnaround: 26 * ms, Channels: []sensors.Channel{drive}},
		{Table: InputRegisters, Quantity: 1, Period: 60 * ms, Turnaround: 2 * ms, Channels: []sensors.Channel{travel}},
	}}
	// 0 the switch, 8 the drive, its middle at 21; the switch is due at 30 and
	// asked at 34, the travel at 42 with its middle at 43.
	if s := tcp.Skews(0)[0]; s.Requests != 1 || s.Apart != 22*ms {
		t.Errorf("with another request between them: %+v", s)
	}
	if len(tcp.Skews(0)) != 1 {
		t.Error("a brake without travel has a skew")
	}
	// Travel every 60 ms, drive every 20: the same slot's, or one nearer by.
	tcp.Requests = tcp.Requests[1:]
	tcp.Requests[0].Period, tcp.Requests[0].Turnaround = 20*ms, 4*ms
	if s := tcp.Skews(0)[0]; s.Apart != 3*ms {
		t.Errorf("at two periods: %+v", s)
	}
}

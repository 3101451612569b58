package modbus

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/sensors"
)

// input is a channel at an input register, discrete one at a discrete input.
func input(brake int32, address uint16, poll time.Duration) sensors.Channel {
	return sensors.Channel{Brake: brake, Name: fmt.Sprintf("brake %d", brake), Signal: sensors.Travel,
		Wiring: sensors.Wiring{Device: "quay-io", Input: &address, Poll: poll}}
}

func discrete(brake int32, address uint16, poll time.Duration) sensors.Channel {
	return sensors.Channel{Brake: brake, Name: fmt.Sprintf("brake %d", brake), Signal: sensors.Drive,
		Wiring: sensors.Wiring{Device: "quay-io", Discrete: &address, Poll: poll}}
}

// blocks writes a plan's requests as function:address+quantity@period.
func blocks(p Plan) string {
	var out []string
	for _, r := range p.Requests {
		out = append(out, fmt.Sprintf("%d:%d+%d@%v", r.Table.Function(), r.Address, r.Quantity, r.Period))
	}
	return strings.Join(out, " ")
}

func TestPlanDevice(t *testing.T) {
	const fast, slow = 20 * time.Millisecond, 5 * time.Second
	wide := func(c sensors.Channel) sensors.Channel {
		c.Wiring.Type = sensors.F32
		return c
	}
	holding := func(c sensors.Channel) sensors.Channel {
		c.Wiring.Holding, c.Wiring.Input = c.Wiring.Input, nil
		return c
	}
	for _, c := range []struct {
		name     string
		channels []sensors.Channel
		want     string
	}{
		{"one", []sensors.Channel{input(0, 7, fast)}, "4:7+1@20ms"},
		{"neighbours in any order", []sensors.Channel{input(0, 9, fast), input(1, 7, fast), input(2, 8, fast)}, "4:7+3@20ms"},
		{"one register for two", []sensors.Channel{input(0, 7, fast), input(1, 7, fast)}, "4:7+1@20ms"},
		{"a gap of fifty", []sensors.Channel{input(0, 0, fast), input(1, 51, fast)}, "4:0+52@20ms"},
		{"a gap of fifty-one", []sensors.Channel{input(0, 0, fast), input(1, 52, fast)}, "4:0+1@20ms 4:52+1@20ms"},
		{"the gap begins behind both registers", []sensors.Channel{wide(input(0, 0, fast)), input(1, 52, fast)}, "4:0+53@20ms"},
		{"a wide one holds a narrow one", []sensors.Channel{wide(input(0, 5, fast)), input(1, 6, fast), input(2, 57, fast)}, "4:5+53@20ms"},
		{"the last two registers", []sensors.Channel{wide(input(0, 65534, fast))}, "4:65534+2@20ms"},
		{"bits bridge more", []sensors.Channel{discrete(0, 0, fast), discrete(1, 801, fast)}, "2:0+802@20ms"},
		{"but not all", []sensors.Channel{discrete(0, 0, fast), discrete(1, 802, fast)}, "2:0+1@20ms 2:802+1@20ms"},
		{"tables apart", []sensors.Channel{input(0, 0, fast), holding(input(0, 1, fast))}, "3:1+1@20ms 4:0+1@20ms"},
		{"periods apart, the fast first", []sensors.Channel{input(0, 1, slow), input(1, 0, fast)}, "4:0+1@20ms 4:1+1@5s"},
		{"the signals of one brake together", []sensors.Channel{
			input(0, 0, fast), input(1, 100, fast), input(2, 200, fast),
			discrete(0, 0, fast), discrete(1, 1000, fast), discrete(2, 2000, fast),
		}, "2:0+1@20ms 4:0+1@20ms 2:1000+1@20ms 4:100+1@20ms 2:2000+1@20ms 4:200+1@20ms"},
	} {
		p, err := PlanDevice(sensors.Device{Modbus: "tcp://quay-io", Unit: 1}, c.channels)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		} else if got := blocks(p); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// On a serial line a gap is read along while its registers take less time than
// another request: 13 characters and two silences, against two characters a
// register (Serial Line V1.02, 2.5.1). By hand: up to 19200 Bd a silence is 3.5
// characters, (13+7)/2 = 10. At 115200 Bd a character takes 95.486 µs and a
// silence 1750: (13·95.486+3500)/190.97 = 24.8. With 5 ms of turnaround 51.
func TestGapsOnALine(t *testing.T) {
	for _, c := range []struct {
		baud       int
		turnaround time.Duration
		most       uint16
	}{{9600, 0, 10}, {19200, 0, 10}, {115200, 0, 24}, {115200, 5 * time.Millisecond, 51}} {
		dev := sensors.Device{Modbus: fmt.Sprintf("rtu:///dev/ttyUSB0?baud=%d", c.baud), Unit: 1, Turnaround: c.turnaround}
		for gap, want := range map[uint16]int{c.most: 1, c.most + 1: 2} {
			p, err := PlanDevice(dev, []sensors.Channel{input(0, 0, 20*time.Millisecond), input(1, 1+gap, 20*time.Millisecond)})
			if err != nil || len(p.Requests) != want {
				t.Errorf("%d Bd, a gap of %d: %s, %v; want %d requests", c.baud, gap, blocks(p), err, want)
			}
		}
	}
}

// Any wiring is planned so that every channel is in exactly one request that
// covers it, and no request asks for more than a device must give.
func TestPlanHoldsEveryChannelOnce(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		var channels []sensors.Channel
		space := 1 << (3 + rnd.IntN(13))
		for b := range 1 + rnd.IntN(200) {
			c := input(int32(b), uint16(rnd.IntN(space)), time.Duration(1+rnd.IntN(2))*20*time.Millisecond)
			if rnd.IntN(2) == 0 {
				c = discrete(int32(b), uint16(rnd.IntN(space)), 20*time.Millisecond)
			} else if rnd.IntN(2) == 0 && *c.Wiring.Input < 65535 {
				c.Wiring.Type = sensors.S32
			}
			channels = append(channels, c)
		}
		p, err := PlanDevice(sensors.Device{Modbus: "tcp://quay-io"}, channels)
		if err != nil {
			t.Fatal(err)
		}
		seen := make(map[int32]int)
		for _, r := range p.Requests {
			most := maxRegisters
			if r.Table.bits() {
				most = maxBits
			}
			if r.Quantity < 1 || int(r.Quantity) > most || int(r.Address)+int(r.Quantity) > 65536 {
				t.Fatalf("%v asks for %d", &r, r.Quantity)
			}
			for _, s := range r.slots() {
				seen[s.channel.Brake]++
				if s.table != r.Table || s.address < r.Address || s.end() > int(r.Address)+int(r.Quantity) || s.channel.Wiring.Poll != r.Period {
					t.Fatalf("%v doesn't hold %+v", &r, s.place)
				}
			}
			if first := r.slots()[0]; first.address != r.Address {
				t.Fatalf("%v begins before its first signal at %d", &r, first.address)
			}
		}
		for _, c := range channels {
			if seen[c.Brake] != 1 {
				t.Fatalf("brake %d is read %d times", c.Brake, seen[c.Brake])
			}
		}
	}
}

func TestPlanRefuses(t *testing.T) {
	good := sensors.Device{Modbus: "tcp://quay-io", Unit: 1}
	change := func(f func(*sensors.Channel)) []sensors.Channel {
		c := input(0, 0, 0)
		c.Name = "quay-2/main"
		f(&c)
		return []sensors.Channel{c}
	}
	for _, c := range []struct {
		dev      sensors.Device
		channels []sensors.Channel
		want     string
	}{
		{sensors.Device{Modbus: "quay-io"}, nil, `write "tcp://quay-io"`},
		{sensors.Device{Modbus: "rtu:///dev/ttyUSB0"}, nil, "unit is 0 or missing"},
		{sensors.Device{Modbus: "rtu:///dev/ttyUSB0", Unit: 255}, nil, "unit is 255"},
		{sensors.Device{Modbus: "tcp://quay-io", Unit: 248}, nil, "unit is 248"},
		{sensors.Device{Modbus: "tcp://quay-io", Timeout: -1}, nil, "timeout is -1ns"},
		{good, change(func(c *sensors.Channel) { c.Wiring.Input = nil }), "travel of quay-2/main: no register or bit is given"},
		{good, change(func(c *sensors.Channel) { c.Wiring.Coil = ptr[uint16](1) }), "2 registers or bits are given"},
		{good, change(func(c *sensors.Channel) { c.Wiring.Topic = "quay/2" }), "has an MQTT topic"},
		{good, change(func(c *sensors.Channel) { c.Wiring.OnChange = 0.1 }), "write poll in place of on_change"},
		{good, change(func(c *sensors.Channel) { c.Wiring.Poll = -1 }), "poll is -1ns"},
		{good, change(func(c *sensors.Channel) { c.Wiring.Type = "u8" }), `unknown register type "u8"`},
		{good, change(func(c *sensors.Channel) { c.Wiring.Type, c.Wiring.Words = "u32", "big" }), `unknown word order "big"`},
		{good, change(func(c *sensors.Channel) { c.Wiring.Type, c.Wiring.Input = "u32", ptr[uint16](65535) }), "the last is 65535"},
		{good, change(func(c *sensors.Channel) { c.Wiring.Discrete, c.Wiring.Input = ptr[uint16](1), nil }), "one bit can't hold it"},
	} {
		_, err := PlanDevice(c.dev, c.channels)
		if err == nil {
			t.Errorf("%+v is taken, want %q", c.dev, c.want)
		} else if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q doesn't say %q", err, c.want)
		}
	}
}

func TestResolvePolls(t *testing.T) {
	channels := []sensors.Channel{
		discrete(0, 0, 0), input(0, 0, 50*time.Millisecond), input(1, 1, 0), discrete(1, 1, 0),
		discrete(2, 2, 0), discrete(0, 5, time.Second),
	}
	want := []time.Duration{50 * time.Millisecond, 50 * time.Millisecond, sensors.DefaultPoll, sensors.DefaultPoll, sensors.DefaultPoll, time.Second}
	for i, c := range ResolvePolls(channels) {
		if c.Wiring.Poll != want[i] {
			t.Errorf("channel %d has %v, want %v", i, c.Wiring.Poll, want[i])
		}
	}
	if channels[0].Wiring.Poll != 0 {
		t.Error("the caller's channels were written to")
	}
}

func TestHalves(t *testing.T) {
	p, err := PlanDevice(sensors.Device{Modbus: "tcp://quay-io"}, []sensors.Channel{
		input(0, 0, 0), input(1, 9, 0), input(2, 10, 0), input(3, 11, 0), input(4, 12, 0), input(5, 12, 0)})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"4:0+1@20ms 4:9+4@20ms",   // at the widest gap
		"4:9+2@20ms 4:11+2@20ms",  // in the middle
		"4:11+1@20ms 4:12+1@20ms", // what stands at one address stays together
	} {
		a, b, ok := p.Requests[0].halves()
		if got := blocks(Plan{Requests: []Request{a, b}}); !ok || got != want {
			t.Errorf("%v is parted into %s, want %s", &p.Requests[0], got, want)
		}
		if len(a.Channels)+len(b.Channels) != len(p.Requests[0].Channels) {
			t.Errorf("of %d channels %d and %d are left", len(p.Requests[0].Channels), len(a.Channels), len(b.Channels))
		}
		p.Requests[0] = b
	}
	if _, _, ok := p.Requests[0].halves(); ok || len(p.Requests[0].Channels) != 2 {
		t.Error("one address is parted")
	}
}

func TestSourcesShareAddresses(t *testing.T) {
	wire := func(device string, brake int32, travel bool) sensors.Channel {
		c := discrete(brake, uint16(brake), 0)
		if travel {
			c = input(brake, uint16(brake), 50*time.Millisecond)
		}
		c.Wiring.Device = device
		return c
	}
	devices := map[string]sensors.Device{
		"a-io":    {Modbus: "tcp://hall:502", Unit: 1},
		"b-io":    {Modbus: "tcp://pit", Unit: 1},
		"c-io":    {Modbus: "tcp://hall", Unit: 2},
		"trolley": {MQTT: "mqtt://hall"},
		"unused":  {Modbus: "tcp://nowhere"},
	}
	channels := []sensors.Channel{wire("a-io", 0, true), wire("c-io", 0, false), wire("b-io", 1, true), wire("c-io", 1, false)}
	sources, err := Sources(devices, channels, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range sources {
		got = append(got, s.Name()+": "+blocks(s.(*Source).Plan()))
	}
	// c-io's drive signals are as frequent as their brakes' travel on other devices.
	want := []string{"a-io+c-io: 4:0+1@50ms 2:0+2@50ms", "b-io: 4:1+1@50ms"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}

	devices["c-io"] = sensors.Device{Modbus: "rtu:///dev/ttyS0?baud=9600", Unit: 1}
	devices["b-io"] = sensors.Device{Modbus: "rtu:///dev/ttyS0?baud=19200", Unit: 2}
	if _, err := Sources(devices, channels, nil, nil); err == nil || !strings.Contains(err.Error(), "write the same address for both") {
		t.Errorf("one line at two rates: %v", err)
	}
	if _, err := New("a-io", devices["a-io"], nil, nil, nil); err == nil || !strings.Contains(err.Error(), "no signal is wired to a-io") {
		t.Errorf("a device without signals: %v", err)
	}
}

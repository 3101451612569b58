package modbus

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gapward/sensors"
)

// table reads a table of check values, by column. Where they come from stands
// in its last column.
func table(t *testing.T, file string) []map[string]string {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := make(map[string]string)
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	if len(out) < 5 {
		t.Fatalf("%s has only %d rows", file, len(out))
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// near tells whether d is ms milliseconds but for rounding to nanoseconds,
// which a request of 260 characters may add up.
func near(d time.Duration, ms float64) bool {
	return math.Abs(float64(d)/1e6-ms) < 2e-4
}

func TestLineTimeOfRegisters(t *testing.T) {
	for _, row := range table(t, "testdata/rtu_poll_period.csv") {
		if row["format"] != "8E1" {
			t.Fatalf("format %s in the table", row["format"])
		}
		a := Address{Scheme: RTU, Line: Line{Baud: int(number(t, row["baud"])), Parity: EvenParity, Stop: 1}}
		r := Request{Table: InputRegisters, Quantity: uint16(number(t, row["N_registers"])), Period: time.Second}
		if !near(a.Line.Char(), number(t, row["t_char_ms"])) || !near(a.Line.Silence(), number(t, row["t3_5_ms"])) {
			t.Errorf("%d Bd: a character takes %v and a silence %v, want %s and %s ms",
				a.Line.Baud, a.Line.Char(), a.Line.Silence(), row["t_char_ms"], row["t3_5_ms"])
		}
		if got := r.LineTime(a); !near(got, number(t, row["T_min_ms_turnaround_0"])) {
			t.Errorf("%d Bd, %d registers: %v, want %s ms", a.Line.Baud, r.Quantity, got, row["T_min_ms_turnaround_0"])
		}
		p := Plan{Address: a, Requests: []Request{r}}
		fastest, ok := p.FastestPeriod(5 * time.Millisecond)
		if !ok || !near(fastest, number(t, row["T_ms_turnaround_5ms"])) {
			t.Errorf("%d Bd, %d registers: fastest period %v, want %s ms", a.Line.Baud, r.Quantity, fastest, row["T_ms_turnaround_5ms"])
		}
		if sd := EdgeSD(r.LineTime(a)); !near(sd, number(t, row["edge_sd_ms_T_over_sqrt12"])) {
			t.Errorf("%d Bd, %d registers: an edge is known to %v, want %s ms", a.Line.Baud, r.Quantity, sd, row["edge_sd_ms_T_over_sqrt12"])
		}
	}
}

func TestLineTimeOfBits(t *testing.T) {
	for _, row := range table(t, "testdata/rtu_poll_period_bits.csv") {
		a := Address{Scheme: RTU, Line: Line{Baud: int(number(t, row["baud"])), Parity: EvenParity, Stop: 1}}
		r := Request{Table: DiscreteInputs, Quantity: uint16(number(t, row["N_bits"]))}
		if _, reply := r.Bytes(RTU); float64(reply) != number(t, row["response_bytes"]) {
			t.Errorf("%d bits come in %d bytes, want %s", r.Quantity, reply, row["response_bytes"])
		}
		if got := r.LineTime(a); !near(got, number(t, row["T_min_ms_turnaround_0"])) {
			t.Errorf("%d Bd, %d bits: %v, want %s ms", a.Line.Baud, r.Quantity, got, row["T_min_ms_turnaround_0"])
		}
	}
}

// Two requests of 20 ms and one of 200 ms at 115200 Bd, by the table above:
// 16 registers 7.796875 ms, 8 bits 4.836806 ms, 1 register 4.932292 ms.
func TestFastestPeriodLeavesRoomForTheSlow(t *testing.T) {
	fast, slow := 20*time.Millisecond, 200*time.Millisecond
	p := Plan{
		Address: Address{Scheme: RTU, Line: Line{Baud: 115200, Parity: EvenParity, Stop: 1}},
		Requests: []Request{
			{Table: InputRegisters, Quantity: 16, Period: fast},
			{Table: DiscreteInputs, Quantity: 8, Period: fast},
			{Table: InputRegisters, Quantity: 1, Period: slow},
		},
	}
	want := (7.796875 + 4.836806) / (1 - 4.932292/200)
	if got, ok := p.FastestPeriod(0); !ok || !near(got, want) {
		t.Errorf("the fastest period is %v, want %.6f ms", got, want)
	}
	if load := p.Load(0); math.Abs(load-(7.796875+4.836806)/20-4.932292/200) > 1e-6 {
		t.Errorf("the load is %v", load)
	}
	if err := p.Check(); err != nil {
		t.Errorf("a plan that fits is refused: %v", err)
	}
	p.Requests[0].Period, p.Requests[1].Period = 10*time.Millisecond, 10*time.Millisecond
	if err := p.Check(); err == nil {
		t.Error("12.6 ms of frames every 10 ms are taken")
	}
	if requests, bytes := p.Rate(); math.Abs(requests-205) > 1e-9 || math.Abs(bytes-(100*(8+37)+100*(8+6)+5*(8+7))) > 1e-9 {
		t.Errorf("the plan takes %v requests and %v bytes a second", requests, bytes)
	}
}

func TestTCPSetsNoLimit(t *testing.T) {
	dev := sensors.Device{Modbus: "tcp://pit", Unit: 1}
	p, err := PlanDevice(dev, brakeChannels(20*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	if d, ok := p.FastestPeriod(time.Second); ok {
		t.Errorf("the fastest period on TCP is %v", d)
	}
	if p.Load(time.Second) != 0 || p.Check() != nil || p.Doubt() != nil {
		t.Error("TCP is called too slow")
	}
	// 12 bytes ask, 9 bytes and the data answer: 4 registers and 2 bits.
	if requests, bytes := p.Rate(); requests != 100 || bytes != 50*(12+9+8)+50*(12+9+1) {
		t.Errorf("the plan takes %v requests and %v bytes a second", requests, bytes)
	}
	// Two requests each 20 ms, and the device needs 12 ms for each: too much,
	// but for one that takes two at once.
	dev.Turnaround = 12 * time.Millisecond
	p, _ = PlanDevice(dev, brakeChannels(20*time.Millisecond))
	if err := p.Check(); err == nil || !strings.Contains(err.Error(), "120 %") || !strings.Contains(err.Error(), "poll: 24ms") {
		t.Errorf("24 ms of turnaround every 20 ms: %v", err)
	}
	dev.InFlight = 2
	p, _ = PlanDevice(dev, brakeChannels(20*time.Millisecond))
	if err := p.Check(); err != nil || math.Abs(p.Load(0)-0.6) > 1e-9 {
		t.Errorf("the same with two in flight: load %v, %v", p.Load(0), err)
	}
}

// A plan that can't be kept is refused with what would fit. By the table of
// line times: 16 registers at 9600 Bd take 59.583 ms and leave no room at 50 ms,
// so 60 ms fit; 50 ms fit at 19200 Bd, where they take half as long.
func TestRefusalSaysWhatFits(t *testing.T) {
	p := Plan{
		Address:  Address{Scheme: RTU, Path: "/dev/ttyUSB0", Line: Line{Baud: 9600, Parity: EvenParity, Stop: 1}},
		Requests: []Request{{Table: InputRegisters, Quantity: 16, Period: 50 * time.Millisecond}},
	}
	err := p.Check()
	if err == nil {
		t.Fatal("59.6 ms of frames every 50 ms are taken")
	}
	for _, want := range []string{"119 %", "poll: 60ms (the fastest possible is 59.58ms)", "baud=19200"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q doesn't say %q", err, want)
		}
	}
	p.Requests[0].Period = 60 * time.Millisecond
	if err := p.Check(); err != nil {
		t.Errorf("what was said to fit is refused: %v", err)
	}
	if err := p.Doubt(); err == nil || !strings.Contains(err.Error(), "write turnaround:") || !strings.Contains(err.Error(), "poll: 65ms") {
		t.Errorf("64.6 ms every 60 ms with a usual turnaround: %v", err)
	}
	p.Requests[0].Turnaround = 100 * time.Microsecond
	if err := p.Doubt(); err != nil {
		t.Errorf("a turnaround that is known to be short: %v", err)
	}
}

// Played through by hand, with requests that take 4, 3 and 5 ms: A and B every
// 10 ms, C every 30 ms. At 0 A goes first, then B at 4, C at 7 (its deadline is
// 30, theirs were 10); at 12 A, 2 ms late, at 16 B, 6 ms after its slot. From
// 20 on all is in time again until C is due at 30.
func TestLateness(t *testing.T) {
	const ms = time.Millisecond
	a := Address{Scheme: TCP}
	p := Plan{Address: a, InFlight: 1, Requests: []Request{
		{Table: InputRegisters, Quantity: 1, Period: 10 * ms, Turnaround: 4 * ms},
		{Table: InputRegisters, Quantity: 1, Period: 10 * ms, Turnaround: 3 * ms},
		{Table: InputRegisters, Quantity: 1, Period: 30 * ms, Turnaround: 5 * ms},
	}}
	worst, ok := p.Lateness(0)
	if want := []time.Duration{2 * ms, 6 * ms, 7 * ms}; !ok || !slices.Equal(worst, want) {
		t.Errorf("the requests are late by %v, want %v", worst, want)
	}
	p.Requests[2].Turnaround = 12 * ms // longer than a whole period of the others, though there's time: 70+40 %
	p.Requests[2].Period = 100 * ms
	if err := p.Doubt(); err == nil || !strings.Contains(err.Error(), "misses polls of") {
		t.Errorf("a request that takes longer than another's period: %v", err)
	}
	p.Requests[2].Turnaround = 40 * ms
	if _, ok := p.Lateness(0); ok {
		t.Error("110 % can be kept")
	}
}

// Of requests due at once the one goes first that is due again the soonest, and
// no slot is missed though the bus is busy for 92 % of the time.
func TestEarliestDeadlineKeepsThePeriods(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: 3 * time.Millisecond}
		channels := []sensors.Channel{
			input(0, 0, 10*time.Millisecond), input(1, 200, 20*time.Millisecond), input(2, 400, 20*time.Millisecond), input(3, 600, 25*time.Millisecond), input(4, 800, 15*time.Millisecond),
		}
		play(t, l, 3*time.Second-time.Microsecond, channels, nil)
		count := map[string]int{}
		for _, asked := range l.asked {
			count[asked]++
		}
		for place, period := range map[string]int{"1:0+1": 10, "1:200+1": 20, "1:400+1": 20, "1:600+1": 25, "1:800+1": 15} {
			if got, want := count[place], 3000/period; got != want {
				t.Errorf("%s was read %d times in 3 s at a period of %d ms, want %d", place, got, period, want)
			}
		}
	})
}

// A character without parity and with one stop bit has 10 bits, with two 11.
func TestCharBits(t *testing.T) {
	for _, c := range []struct {
		line Line
		want time.Duration
	}{
		{Line{10000, NoParity, 1}, time.Millisecond},
		{Line{10000, NoParity, 2}, 1100 * time.Microsecond},
		{Line{10000, OddParity, 1}, 1100 * time.Microsecond},
		{Line{10000, EvenParity, 2}, 1200 * time.Microsecond},
	} {
		if got := c.line.Char(); got != c.want {
			t.Errorf("%+v: %v, want %v", c.line, got, c.want)
		}
	}
}

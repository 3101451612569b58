package modbus

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
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
	p, err := PlanDevice(sensors.Device{Modbus: "tcp://pit", Unit: 1}, brakeChannels(20*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	if d, ok := p.FastestPeriod(0); ok {
		t.Errorf("the fastest period on TCP is %v", d)
	}
	if p.Load(time.Second) != 0 || p.Check() != nil {
		t.Error("TCP is called too slow")
	}
	// 12 bytes ask, 9 bytes and the data answer: 4 registers and 2 bits.
	if requests, bytes := p.Rate(); requests != 100 || bytes != 50*(12+9+8)+50*(12+9+1) {
		t.Errorf("the plan takes %v requests and %v bytes a second", requests, bytes)
	}
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

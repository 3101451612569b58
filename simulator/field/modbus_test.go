package field

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"testing"
	"time"
)

// specMemory holds what the specification's examples read.
type specMemory struct {
	bits      map[table]map[uint16]bool
	registers map[table]map[uint16]uint16
}

func (m specMemory) bit(t table, a uint16) (on, ok bool) {
	on, ok = m.bits[t][a]
	return on, ok
}

func (m specMemory) register(t table, a uint16) (uint16, bool) {
	v, ok := m.registers[t][a]
	return v, ok
}

// newSpecMemory is filled by the texts of sections 6.1 to 6.4, whose numbers
// count from 1: the coils 27-20 are 1100 1101, 35-28 0110 1011, 38-36 101; the
// discrete inputs 204-197 1010 1100, 212-205 1101 1011, 218-213 11 0101;
// registers 108-110 are 022B, 0, 64 hex; input register 9 is 10.
func newSpecMemory() specMemory {
	m := specMemory{map[table]map[uint16]bool{coils: {}, discreteInputs: {}}, map[table]map[uint16]uint16{
		holdingRegisters: {107: 0x22B, 108: 0, 109: 0x64}, inputRegisters: {8: 10}}}
	fill := func(t table, first uint16, fromLast string) {
		for i := range fromLast {
			m.bits[t][first+uint16(i)] = fromLast[len(fromLast)-1-i] == '1'
		}
	}
	fill(coils, 19, "101"+"01101011"+"11001101")
	fill(discreteInputs, 196, "110101"+"11011011"+"10101100")
	return m
}

// startServer runs a server of unit 17 with a memory until the test ends.
func startServer(t *testing.T, m memory, c func() conduct) (addr string, stop func()) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &modbusServer{listener: l, log: slog.New(slog.DiscardHandler),
		unit:    func(unit uint8) (memory, bool) { return m, unit == 17 },
		conduct: func(uint8) conduct { return c() }}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.run(ctx) }()
	stop = func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("the server ended with %v", err)
			}
			done <- nil
		case <-time.After(5 * time.Second):
			t.Error("the server doesn't end")
		}
	}
	t.Cleanup(stop)
	return l.Addr().String(), stop
}

func healthyConduct() conduct { return conduct{} }

// client is a raw connection with a deadline.
func client(t *testing.T, addr string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return c
}

// reply reads one frame.
func reply(t *testing.T, c net.Conn) []byte {
	t.Helper()
	b := make([]byte, 6, 260)
	if _, err := io.ReadFull(c, b); err != nil {
		t.Fatalf("reading a reply: %v", err)
	}
	b = b[:6+int(binary.BigEndian.Uint16(b[4:]))]
	if _, err := io.ReadFull(c, b[6:]); err != nil {
		t.Fatalf("reading a reply: %v", err)
	}
	return b
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestModbusAnswersTheSpecificationsExamples(t *testing.T) {
	f, err := os.Open("testdata/modbus_frames.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	addr, _ := startServer(t, newSpecMemory(), healthyConduct)
	c := client(t, addr)
	for _, row := range rows {
		t.Run(row[0], func(t *testing.T) {
			if _, err := c.Write(unhex(t, row[1])); err != nil {
				t.Fatal(err)
			}
			if got, want := reply(t, c), unhex(t, row[2]); !bytes.Equal(got, want) {
				t.Errorf("got  % X\nwant % X", got, want)
			}
		})
	}
	if len(rows) != 11 {
		t.Errorf("%d examples", len(rows))
	}
}

// The order of the checks is that of figures 11 to 14 of the specification:
// function, quantity, address.
func TestModbusChecksInOrder(t *testing.T) {
	for _, c := range []struct{ name, request, want string }{
		{"unknown function before all else", "2B 0E 01 00", "AB 01"},
		{"function alone", "07", "87 01"},
		{"function with the reply's bit", "83 00 00 00 01", "83 01"},
		{"no registers, address missing too", "03 FF 00 00 00", "83 03"},
		{"too many registers, address missing too", "03 FF 00 00 7E", "83 03"},
		{"most registers, address missing", "04 FF 00 00 7D", "84 02"},
		{"too many bits", "01 00 13 07 D1", "81 03"},
		{"most bits, address missing", "02 00 C4 07 D0", "82 02"},
		{"beyond the last address", "03 FF FF 00 02", "83 02"},
		{"hole within the span", "03 00 6B 00 04", "83 02"},
		{"hole before the span", "03 00 6A 00 02", "83 02"},
		{"request too short", "03 00 6B 00", "83 03"},
		{"request too long", "03 00 6B 00 01 00", "83 03"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := answer([]byte{0xEE}, unhex(t, c.request), newSpecMemory())
			if want := append([]byte{0xEE}, unhex(t, c.want)...); !bytes.Equal(got, want) {
				t.Errorf("got % X, want % X", got, want)
			}
		})
	}
}

func TestModbusRefusesEveryFunctionButReading(t *testing.T) {
	for f := 0; f < 256; f++ {
		got := answer(nil, []byte{byte(f), 0, 19, 0, 1}, newSpecMemory())
		if f >= 1 && f <= 4 {
			if got[0] == byte(f)|0x80 && got[1] == illegalFunction {
				t.Errorf("function %d is refused", f)
			}
			continue
		}
		if !bytes.Equal(got, []byte{byte(f) | 0x80, illegalFunction}) {
			t.Errorf("function %d is answered with % X", f, got)
		}
	}
}

func TestModbusUnknownUnit(t *testing.T) {
	addr, _ := startServer(t, newSpecMemory(), healthyConduct)
	c := client(t, addr)
	if _, err := c.Write(unhex(t, "00 07 00 00 00 06 12 04 00 08 00 01")); err != nil {
		t.Fatal(err)
	}
	if got, want := reply(t, c), unhex(t, "00 07 00 00 00 03 12 84 0B"); !bytes.Equal(got, want) {
		t.Errorf("got % X, want % X", got, want)
	}
}

func TestModbusTakesFramesInPiecesAndTogether(t *testing.T) {
	addr, _ := startServer(t, newSpecMemory(), healthyConduct)
	c := client(t, addr)
	one := unhex(t, "00 01 00 00 00 06 11 04 00 08 00 01")
	two := append(append([]byte{}, one...), unhex(t, "00 02 00 00 00 06 11 03 00 6B 00 01")...)
	for _, piece := range [][]byte{one[:3], one[3:9], one[9:], two} {
		if _, err := c.Write(piece); err != nil {
			t.Fatal(err)
		}
	}
	for i, want := range []string{"00 01 00 00 00 05 11 04 02 00 0A", "00 01 00 00 00 05 11 04 02 00 0A", "00 02 00 00 00 05 11 03 02 02 2B"} {
		if got := reply(t, c); !bytes.Equal(got, unhex(t, want)) {
			t.Errorf("reply %d is % X, want %s", i, got, want)
		}
	}
}

func TestModbusHangsUpOnWhatIsNoModbus(t *testing.T) {
	addr, _ := startServer(t, newSpecMemory(), healthyConduct)
	for _, frame := range []string{
		"00 01 00 01 00 06 11 04 00 08 00 01", // another protocol
		"00 01 00 00 00 01 11",                // no function
		"00 01 00 00 00 FF 11 04 00 08 00 01", // longer than a PDU can be
	} {
		c := client(t, addr)
		if _, err := c.Write(unhex(t, frame)); err != nil {
			t.Fatal(err)
		}
		if n, err := c.Read(make([]byte, 1)); n != 0 || err == nil || os.IsTimeout(err) {
			t.Errorf("%s is answered (%d bytes, %v); the connection should end", frame, n, err)
		}
	}
}

func TestModbusServesClientsAtTheSameTimeAndClosesCleanly(t *testing.T) {
	addr, stop := startServer(t, newSpecMemory(), healthyConduct)
	idle := client(t, addr) // connected, says nothing
	half := client(t, addr) // stops in the middle of a request
	if _, err := half.Write([]byte{0, 1, 0}); err != nil {
		t.Fatal(err)
	}
	errs := make(chan error, 8)
	for range cap(errs) {
		go func() {
			c, err := net.Dial("tcp", addr)
			if err != nil {
				errs <- err
				return
			}
			defer c.Close()
			got := make([]byte, 11)
			for i := range 200 {
				request := []byte{byte(i >> 8), byte(i), 0, 0, 0, 6, 17, 4, 0, 8, 0, 1}
				if _, err := c.Write(request); err != nil {
					errs <- err
					return
				}
				if _, err := io.ReadFull(c, got); err != nil {
					errs <- err
					return
				}
				if got[0] != request[0] || got[1] != request[1] || got[10] != 10 {
					errs <- io.ErrUnexpectedEOF
					return
				}
			}
			errs <- nil
		}()
	}
	for range cap(errs) {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	stop()
	if _, err := idle.Read(make([]byte, 1)); err == nil || os.IsTimeout(err) {
		t.Errorf("an idle client's connection is still open (%v)", err)
	}
	if c, err := net.Dial("tcp", addr); err == nil {
		c.Close()
		t.Error("the address still takes connections")
	}
}

func TestModbusConductDelaysAndSilences(t *testing.T) {
	now := make(chan conduct, 1)
	addr, _ := startServer(t, newSpecMemory(), func() conduct { return <-now })
	c := client(t, addr)
	ask := func(as conduct) {
		now <- as
		if _, err := c.Write(unhex(t, "00 01 00 00 00 06 11 04 00 08 00 01")); err != nil {
			t.Fatal(err)
		}
	}
	ask(conduct{silent: true}) // its answer would come ahead of the next
	const slow = 120 * time.Millisecond
	began := time.Now()
	ask(conduct{slow: slow})
	reply(t, c)
	if took := time.Since(began); took < slow {
		t.Errorf("a reply slowed by %v took %v", slow, took)
	}
	if err := c.SetReadDeadline(time.Now().Add(50 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if n, err := c.Read(make([]byte, 1)); n != 0 || !os.IsTimeout(err) {
		t.Errorf("the silent request was answered after all (%d bytes, %v)", n, err)
	}
}

func FuzzAnswer(f *testing.F) {
	for _, s := range []string{"\x01\x00\x13\x00\x13", "\x03\x00\x6b\x00\x03", "\x10", "\x04\xff\xff\x00\x02"} {
		f.Add([]byte(s))
	}
	m := newSpecMemory()
	f.Fuzz(func(t *testing.T, request []byte) {
		if len(request) < 1 || len(request) > maxPDU {
			return
		}
		got := answer(nil, request, m)
		switch {
		case len(got) < 2 || len(got) > maxPDU:
			t.Fatalf("% X is answered with %d bytes", request, len(got))
		case got[0] == request[0]|0x80 && len(got) == 2 && got[1] >= illegalFunction && got[1] <= illegalValue:
		case got[0] != request[0] || request[0] < 1 || request[0] > 4 || int(got[1]) != len(got)-2:
			t.Fatalf("% X is answered with % X", request, got)
		}
	})
}

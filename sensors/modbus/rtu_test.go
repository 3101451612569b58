package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	goburrow "github.com/goburrow/modbus"
)

// checkOf is the check of RTU frames, bit by bit from the specification (Serial
// Line V1.02, 6.2.2), for a stand-in that shares nothing with what is tested.
func checkOf(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

// rtuFrame puts unit and check around a PDU.
func rtuFrame(unit byte, pdu []byte) []byte {
	f := append([]byte{unit}, pdu...)
	return binary.LittleEndian.AppendUint16(f, checkOf(f))
}

// checkOfGoburrow is the check that the library which frames our requests puts
// behind a message of unit, function and data.
func checkOfGoburrow(message []byte) uint16 {
	h := goburrow.NewRTUClientHandler("")
	h.SlaveId = message[0]
	f, err := h.Encode(&goburrow.ProtocolDataUnit{FunctionCode: message[1], Data: message[2:]})
	if err != nil {
		return 0
	}
	return binary.LittleEndian.Uint16(f[len(f)-2:])
}

func TestCRC(t *testing.T) {
	for _, row := range table(t, "testdata/crc.csv") {
		for name, check := range map[string]func([]byte) uint16{"goburrow's": checkOfGoburrow, "the stand-in's": checkOf} {
			got := binary.LittleEndian.AppendUint16(nil, check(unhex(t, row["message_hex"])))
			if want := unhex(t, row["on_wire_low_high"]); !bytes.Equal(got, want) {
				t.Errorf("%s, %s: % x, want % x", name, row["message_hex"], got, want)
			}
		}
	}
}

// line is an RTU link whose other end is f, called for each opening of the
// port with its number.
func line(t *testing.T, f func(c net.Conn, n int)) (link, *rtuLink) {
	t.Helper()
	opened := 0
	tr := newRTULink(Line{Baud: 115200, Parity: EvenParity, Stop: 1}, func(context.Context, time.Duration) (port, error) {
		ours, theirs := net.Pipe()
		n := opened
		opened++
		go func() {
			defer theirs.Close()
			f(theirs, n)
		}()
		return &netPort{conn: ours}, nil
	})
	m := &inTurn{reader: tr}
	t.Cleanup(m.close)
	return m, tr
}

func TestSpecificationExamplesOnRTU(t *testing.T) {
	for _, e := range readExamples(t) {
		asked := make(chan []byte, 1)
		m, _ := line(t, func(c net.Conn, _ int) {
			b := make([]byte, len(e.rtuOut))
			io.ReadFull(c, b)
			asked <- b
			c.Write(e.rtuBack)
		})
		r, err := e.ask(t.Context(), m)
		e.check(t, r, err)
		if b := <-asked; !bytes.Equal(b, e.rtuOut) {
			t.Errorf("%s: sent % x, want % x", e.name, b, e.rtuOut)
		}
	}
}

func nextRTU(c net.Conn) []byte {
	b := make([]byte, 8)
	if _, err := io.ReadFull(c, b); err != nil {
		return nil
	}
	return b
}

// echoRTU answers a read of registers with their addresses.
func echoRTU(request []byte) []byte {
	from, n := binary.BigEndian.Uint16(request[2:]), binary.BigEndian.Uint16(request[4:])
	pdu := []byte{request[1], byte(2 * n)}
	for i := range n {
		pdu = binary.BigEndian.AppendUint16(pdu, from+i)
	}
	return rtuFrame(request[0], pdu)
}

// A line that does the following to one request fails that read, never
// returns another's value, and is well again with the next.
func TestHostileLines(t *testing.T) {
	for name, f := range map[string]func(c net.Conn, r []byte){
		"never answers":        func(net.Conn, []byte) {},
		"part of an answer":    func(c net.Conn, r []byte) { c.Write(echoRTU(r)[:5]) },
		"one byte":             func(c net.Conn, r []byte) { c.Write(r[:1]) },
		"wrong check":          func(c net.Conn, r []byte) { b := echoRTU(r); b[3] ^= 1; c.Write(b) },
		"other unit":           func(c net.Conn, r []byte) { r[0] = 9; c.Write(echoRTU(r)) },
		"other function":       func(c net.Conn, r []byte) { r[1] = 3; c.Write(echoRTU(r)) },
		"too few bytes":        func(c net.Conn, r []byte) { c.Write(rtuFrame(r[0], []byte{4, 1, 9})) },
		"too many bytes":       func(c net.Conn, r []byte) { c.Write(rtuFrame(r[0], []byte{4, 4, 0, 9, 0, 9})) },
		"exception of another": func(c net.Conn, r []byte) { c.Write(rtuFrame(r[0], []byte{0x83, 2})) },
		"noise":                func(c net.Conn, r []byte) { c.Write(bytes.Repeat([]byte{0x5A}, 40)) },
		"late": func(c net.Conn, r []byte) {
			time.Sleep(testTimeout * 3 / 2)
			c.SetWriteDeadline(time.Now().Add(time.Second))
			c.Write(echoRTU(r))
		},
		"its own request comes back": func(c net.Conn, r []byte) { c.Write(r) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, _ := line(t, func(c net.Conn, n int) {
				for i := 0; ; i++ {
					r := nextRTU(c)
					if r == nil {
						return
					}
					if n == 0 && i%2 == 0 && i < 6 {
						c.SetWriteDeadline(time.Now().Add(3 * testTimeout)) // a pipe holds nothing that nobody reads
						f(c, r)
						c.SetWriteDeadline(time.Time{})
					} else {
						c.Write(echoRTU(r))
					}
				}
			})
			for i := range uint16(3) {
				err := readOne(t.Context(), m, 100+2*i)
				var wrong *wrongValue
				if err == nil || errors.As(err, &wrong) {
					t.Fatalf("read %d: %v", i, err)
				}
				if err := readOne(t.Context(), m, 101+2*i); err != nil {
					t.Fatalf("the read after failure %d (%v): %v", i, err, err)
				}
			}
		})
	}
}

// An answer that came twice, or that another master asked for, isn't taken for
// the next one's: nothing in an RTU frame tells them apart but when it came.
func TestWhatCameBeforeIsNoAnswer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		for r := nextRTU(c); r != nil; r = nextRTU(c) {
			c.Write(append(echoRTU(r), echoRTU(r)...))
		}
	}()
	a := Address{Scheme: RTUOverTCP, Host: l.Addr().String(), Line: Line{Baud: 115200, Parity: EvenParity, Stop: 1}}
	m := newLink(a, 1)
	defer m.close()
	for i := range uint16(20) {
		if err := readOne(t.Context(), m, i); err != nil {
			t.Fatalf("read %d: %v", i, err)
		}
	}
}

func TestExceptionInPieces(t *testing.T) {
	m, _ := line(t, func(c net.Conn, _ int) {
		for r := nextRTU(c); r != nil; r = nextRTU(c) {
			b := echoRTU(r)
			if r[3] == 1 {
				b = rtuFrame(r[0], []byte{0x84, 2})
			}
			c.Write(b[:4])
			time.Sleep(5 * time.Millisecond)
			c.Write(b[4:])
		}
	})
	for range 3 {
		var x *Exception
		if err := readOne(t.Context(), m, 1); !errors.As(err, &x) || x.Code != 2 {
			t.Errorf("got %v, want exception 02", err)
		}
		if err := readOne(t.Context(), m, 2); err != nil {
			t.Error(err)
		}
	}
}

// A silent unit must not be asked again before its answer can't be under way
// any more; another may be.
func TestSilentUnitRests(t *testing.T) {
	m, tr := line(t, func(c net.Conn, _ int) {
		for r := nextRTU(c); r != nil; r = nextRTU(c) {
			if r[0] != 1 {
				c.Write(echoRTU(r))
			}
		}
	})
	if err := readOne(t.Context(), m, 1); !errors.Is(err, errSilent) {
		t.Fatalf("got %v, want %v", err, errSilent)
	}
	failed := time.Now()
	if _, err := readFrom(t.Context(), m, 2, InputRegisters, 7, 1, testTimeout); err != nil {
		t.Errorf("another unit: %v", err)
	}
	if err := readOne(t.Context(), m, 1); !errors.Is(err, errSilent) {
		t.Fatalf("got %v, want %v", err, errSilent)
	}
	if rest := tr.sent.Sub(failed); rest < testTimeout-5*time.Millisecond {
		t.Errorf("the silent unit was asked again after %v, want %v", rest, testTimeout)
	}
}

func TestFramesAreKeptApart(t *testing.T) {
	m, tr := line(t, func(c net.Conn, _ int) {
		for r := nextRTU(c); r != nil; r = nextRTU(c) {
			c.Write(echoRTU(r))
		}
	})
	var last time.Time
	for i := range uint16(10) {
		if err := readOne(t.Context(), m, i); err != nil {
			t.Fatal(err)
		}
		if apart := tr.sent.Sub(last); i > 0 && apart < tr.line.Silence() {
			t.Errorf("a request followed a frame by %v, want at least %v", apart, tr.line.Silence())
		}
		last = tr.got
	}
}

// A port that fails is opened again.
func TestPortIsOpenedAgain(t *testing.T) {
	m, _ := line(t, func(c net.Conn, n int) {
		r := nextRTU(c)
		if r == nil || n == 0 {
			return // hung up
		}
		for ; r != nil; r = nextRTU(c) {
			c.Write(echoRTU(r))
		}
	})
	if err := readOne(t.Context(), m, 1); err == nil {
		t.Error("a hung up port was read")
	}
	if err := readOne(t.Context(), m, 2); err != nil {
		t.Errorf("after opening it again: %v", err)
	}
}

func TestNeverSilentLine(t *testing.T) {
	m, _ := line(t, func(c net.Conn, _ int) {
		for {
			if _, err := c.Write([]byte{0x55}); err != nil {
				return
			}
		}
	})
	began := time.Now()
	err := readOne(t.Context(), m, 1)
	for i := 0; i < 5 && err != nil && !strings.Contains(err.Error(), "never silent"); i++ { // a machine that stands still for 5 ms makes it silent
		began = time.Now()
		err = readOne(t.Context(), m, 1)
	}
	if err == nil || !strings.Contains(err.Error(), "the line is never silent") {
		t.Errorf("got %v", err)
	}
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestCancelEndsAReadOfALine(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	m, _ := line(t, func(c net.Conn, _ int) {
		nextRTU(c)
		cancel()
		nextRTU(c)
	})
	began := time.Now()
	if _, err := readFrom(ctx, m, 1, InputRegisters, 0, 1, time.Minute); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want %v", err, context.Canceled)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestPortThatIsNotThere(t *testing.T) {
	a, err := ParseAddress("rtu:///dev/there-is-no-such-port")
	if err != nil {
		t.Fatal(err)
	}
	l := newLink(a, 1)
	defer l.close()
	if err := readOne(t.Context(), l, 1); err == nil || !strings.Contains(err.Error(), "opening /dev/there-is-no-such-port") {
		t.Errorf("got %v", err)
	}
}

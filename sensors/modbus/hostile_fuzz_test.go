package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"net"
	"os"
	"testing"
	"time"

	goburrow "github.com/goburrow/modbus"
)

// FuzzPDU holds the way from a reply's bytes to values against its promise:
// data of the length that was asked for, or an error.
func FuzzPDU(f *testing.F) {
	f.Add(uint8(3), uint16(1), []byte{4, 2, 0, 10})
	f.Add(uint8(0), uint16(19), []byte{1, 3, 0xCD, 0x6B, 5})
	f.Add(uint8(0), uint16(1), []byte{0x81, 2})
	f.Add(uint8(2), uint16(1), []byte{3, 0})
	f.Add(uint8(2), uint16(125), []byte{3})
	f.Fuzz(func(t *testing.T, table uint8, quantity uint16, pdu []byte) {
		if len(pdu) == 0 {
			return // every frame has a function
		}
		a := ask{table: Table(table), quantity: quantity}
		data, err := a.data(&goburrow.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
		if err == nil && (len(data) != replyBytes(a.table, quantity) || pdu[0] != a.table.Function()) {
			t.Errorf("function %d for %d brought %d bytes of function %d", a.table.Function(), quantity, len(data), pdu[0])
		}
	})
}

// canned is a connection on which given bytes come, in pieces of given length,
// and then nothing.
type canned struct {
	net.Conn
	bytes []byte
	piece int
	sent  int
}

func (c *canned) Read(b []byte) (int, error) {
	if len(c.bytes) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(b, c.bytes[:min(len(c.bytes), max(c.piece, 1))])
	c.bytes = c.bytes[n:]
	return n, nil
}
func (c *canned) Write(b []byte) (int, error)      { c.sent += len(b); return len(b), nil }
func (c *canned) SetReadDeadline(time.Time) error  { return nil }
func (c *canned) SetWriteDeadline(time.Time) error { return nil }
func (c *canned) Close() error                     { return nil }

// FuzzTCPStream feeds a link with four requests under way any bytes at all. A
// request must end as it should, and with data only where a frame of its own
// transaction, unit and function was among the bytes.
func FuzzTCPStream(f *testing.F) {
	good := []byte{0, 1, 0, 0, 0, 5, 1, 4, 2, 0, 10}
	f.Add(good, 3)
	f.Add(bytes.Repeat(good, 40), 260)
	f.Add(append([]byte{0, 4, 0, 0, 0, 5, 1, 4, 2, 0, 9, 0, 2, 0, 0, 0, 3, 1, 0x84, 2}, good...), 1)
	f.Add([]byte{0, 1, 0, 0, 0xFF, 0xFF, 1, 4}, 8)
	f.Add([]byte("HTTP/1.1 400 Bad Request"), 5)
	f.Fuzz(func(t *testing.T, stream []byte, piece int) {
		l := newTCPLink("", 4)
		l.conn = &canned{bytes: stream, piece: piece}
		l.fresh = true
		ctx := t.Context()
		for i := range 4 {
			l.start(ctx, i, ask{1, InputRegisters, uint16(i), 1, -time.Second}) // its time is over once the bytes are
		}
		ended := map[int]bool{}
		for range 4 {
			token, r, err, ok := l.await(ctx, time.Now().Add(time.Hour))
			if !ok || ended[token] {
				t.Fatalf("await returned token %d, %v; ended so far: %v", token, ok, ended)
			}
			ended[token] = true
			if err != nil {
				continue
			}
			want := append([]byte{0, byte(token + 1), 0, 0, 0, 5, 1, 4, 2}, r.data...)
			if len(r.data) != 2 || !bytes.Contains(stream, want) {
				t.Fatalf("request %d got % x, which nobody sent as its answer", token, r.data)
			}
		}
		l.close()
	})
}

// cannedPort is a serial port on which given bytes come once something was
// sent.
type cannedPort struct {
	canned
	later []byte
}

func (p *cannedPort) Write(b []byte) (int, error)        { p.bytes = p.later; return len(b), nil }
func (p *cannedPort) SetReadTimeout(time.Duration) error { return nil }
func (p *cannedPort) ResetInputBuffer() error            { return nil }
func (p *cannedPort) ResetOutputBuffer() error           { return nil }
func (p *cannedPort) Read(b []byte) (int, error) {
	if len(p.bytes) == 0 {
		return 0, io.ErrUnexpectedEOF // pulled out: no need to wait for the deadline
	}
	return p.canned.Read(b)
}

// FuzzRTUStream answers a request on a serial line with any bytes at all. Data
// comes of it only where the bytes begin with a frame of that unit and
// function, of the right length and with the right check.
func FuzzRTUStream(f *testing.F) {
	frame := rtuFrame(17, []byte{4, 2, 0, 10})
	f.Add(uint8(3), uint16(1), frame, 3)
	f.Add(uint8(3), uint16(1), rtuFrame(17, []byte{0x84, 2}), 1)
	f.Add(uint8(0), uint16(19), rtuFrame(17, []byte{1, 3, 0xCD, 0x6B, 5}), 200)
	f.Add(uint8(3), uint16(1), append([]byte{0}, frame...), 200)
	f.Add(uint8(2), uint16(125), []byte{17, 3, 250}, 2)
	f.Fuzz(func(t *testing.T, table uint8, quantity uint16, stream []byte, piece int) {
		a := ask{17, Table(table), 0, quantity, time.Second}
		if a.check() != nil {
			return
		}
		if stream == nil {
			stream = []byte{}
		}
		l := newRTULink(Line{Baud: 4_000_000, Parity: EvenParity, Stop: 1}, func(context.Context, time.Duration) (port, error) {
			return &cannedPort{canned: canned{piece: piece}, later: stream}, nil
		})
		l.port, _ = l.open(t.Context(), 0) // a line that is known to be quiet
		r, err := l.read(t.Context(), a)
		if err != nil {
			if len(r.data) != 0 {
				t.Errorf("beside the error %v there are data % x", err, r.data)
			}
			return
		}
		n := 3 + replyBytes(a.table, quantity)
		if len(r.data) != n-3 || len(stream) < n+2 || stream[0] != 17 || stream[1] != a.table.Function() ||
			binary.LittleEndian.Uint16(stream[n:]) != checkOf(stream[:n]) {
			t.Errorf("% x was taken for an answer", stream)
		}
	})
}

package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// unhex reads bytes written as in the specification's examples.
func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// readExample is one of the specification's examples of a read.
type readExample struct {
	name              string
	request, answer   []byte // PDUs
	mbapOut, mbapBack []byte // transaction 1, unit 17
	rtuOut, rtuBack   []byte // unit 17
}

func readExamples(t *testing.T) []readExample {
	var out []readExample
	for _, row := range table(t, "testdata/pdu_examples.csv") {
		e := readExample{row["example"],
			unhex(t, row["request_pdu"]), unhex(t, row["response_pdu"]),
			unhex(t, row["request_mbap"]), unhex(t, row["response_mbap"]),
			unhex(t, row["request_rtu_unit17"]), unhex(t, row["response_rtu_unit17"])}
		if e.request[0] <= InputRegisters.Function() {
			out = append(out, e)
		}
	}
	if len(out) != 5 {
		t.Fatalf("%d examples of reading, want 5", len(out))
	}
	return out
}

func (e readExample) ask(ctx context.Context, l link) (reply, error) {
	return readFrom(ctx, l, 17, Table(e.request[0]-1), binary.BigEndian.Uint16(e.request[1:]), binary.BigEndian.Uint16(e.request[3:]), time.Second)
}

// check holds what was read against the example's answer.
func (e readExample) check(t *testing.T, r reply, err error) {
	t.Helper()
	if e.answer[0]&0x80 != 0 {
		var x *Exception
		if !errors.As(err, &x) || x.Code != e.answer[1] || x.Function != e.request[0] {
			t.Errorf("%s: %v, want exception %d", e.name, err, e.answer[1])
		}
	} else if err != nil || !bytes.Equal(r.data, e.answer[2:]) {
		t.Errorf("%s: % x, %v; want % x", e.name, r.data, err, e.answer[2:])
	}
}

func TestSpecificationExamplesOnTCP(t *testing.T) {
	for _, e := range readExamples(t) {
		asked := make(chan []byte, 1)
		addr := serve(t, func(c net.Conn, _ int) {
			b := make([]byte, len(e.mbapOut))
			io.ReadFull(c, b)
			asked <- b
			c.Write(e.mbapBack)
		})
		l := newTCPLink(addr, 1)
		defer l.close()
		r, err := e.ask(t.Context(), l)
		e.check(t, r, err)
		if b := <-asked; !bytes.Equal(b, e.mbapOut) {
			t.Errorf("%s: sent % x, want % x", e.name, b, e.mbapOut)
		}
	}
}

// serve listens and hands each connection, with its number from 0, to f; it is
// closed when f returns.
func serve(t testing.TB, f func(c net.Conn, n int)) (addr string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var conns []net.Conn
	var running sync.WaitGroup
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, c := range conns {
			c.Close()
		}
		mu.Unlock()
		running.Wait()
	})
	go func() {
		for n := 0; ; n++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			conns = append(conns, c)
			running.Add(1)
			mu.Unlock()
			go func() {
				defer running.Done()
				defer c.Close()
				f(c, n)
			}()
		}
	}()
	return l.Addr().String()
}

// next reads one request of 12 bytes, or returns nil at the end.
func next(c net.Conn) []byte {
	b := make([]byte, 12)
	if _, err := io.ReadFull(c, b); err != nil {
		return nil
	}
	return b
}

// echo answers a read of registers with their addresses, so that a value tells
// which question it answers.
func echo(request []byte) []byte {
	from, n := binary.BigEndian.Uint16(request[8:]), binary.BigEndian.Uint16(request[10:])
	pdu := []byte{request[7], byte(2 * n)}
	for i := range n {
		pdu = binary.BigEndian.AppendUint16(pdu, from+i)
	}
	return tcpFrame(request, pdu)
}

func honest(c net.Conn) {
	for r := next(c); r != nil; r = next(c) {
		c.Write(echo(r))
	}
}

const testTimeout = 60 * time.Millisecond

// readFrom carries out one read by itself.
func readFrom(ctx context.Context, l link, unit uint8, table Table, address, quantity uint16, timeout time.Duration) (reply, error) {
	l.start(ctx, 7, ask{unit, table, address, quantity, timeout})
	token, r, err, ok := l.await(ctx, time.Now().Add(time.Hour))
	switch {
	case err != nil:
		return r, err
	case !ok && ctx.Err() != nil:
		return r, ctx.Err()
	case !ok || token != 7:
		return r, fmt.Errorf("await returned token %d, %v", token, ok)
	}
	return r, nil
}

// readOne asks for one register and wants its own address back.
func readOne(ctx context.Context, l link, address uint16) error {
	r, err := readFrom(ctx, l, 1, InputRegisters, address, 1, testTimeout)
	if err != nil {
		return err
	}
	if got := binary.BigEndian.Uint16(r.data); got != address {
		return &wrongValue{address, got}
	}
	return nil
}

// wrongValue is the one failure that must never be: another's value.
type wrongValue struct{ asked, got uint16 }

func (e *wrongValue) Error() string { return "a wrong value" }

// Whatever a device does on its first connections, a read fails in time and
// never returns another's value, and once the device behaves the next read
// succeeds.
func TestHostileServers(t *testing.T) {
	twoRegisters := func(r []byte) []byte { return tcpFrame(r, []byte{4, 4, 0, 9, 0, 9}) }
	for name, f := range map[string]func(c net.Conn, request []byte){
		"never answers":       func(c net.Conn, r []byte) { next(c) },
		"closes":              func(net.Conn, []byte) {},
		"garbage":             func(c net.Conn, r []byte) { c.Write(bytes.Repeat([]byte{0xA5}, 300)); next(c) },
		"other protocol":      func(c net.Conn, r []byte) { b := echo(r); b[3] = 7; c.Write(b); next(c) },
		"HTTP":                func(c net.Conn, r []byte) { io.WriteString(c, "HTTP/1.1 400 Bad Request\r\n\r\n"); next(c) },
		"foreign transaction": func(c net.Conn, r []byte) { b := echo(r); b[1] ^= 1; b[10] = 99; c.Write(b); next(c) },
		"foreign unit":        func(c net.Conn, r []byte) { b := echo(r); b[6] = 9; b[10] = 99; c.Write(b); next(c) },
		"too few bytes":       func(c net.Conn, r []byte) { c.Write(tcpFrame(r, []byte{4, 1, 9})); next(c) },
		"no bytes":            func(c net.Conn, r []byte) { c.Write(tcpFrame(r, []byte{4, 0})); next(c) },
		"too many bytes":      func(c net.Conn, r []byte) { c.Write(twoRegisters(r)); next(c) },
		"wrong byte count":    func(c net.Conn, r []byte) { b := echo(r); b[8] = 4; c.Write(b); next(c) },
		"zero length":         func(c net.Conn, r []byte) { b := echo(r); b[4], b[5] = 0, 0; c.Write(b); next(c) },
		"length of a unit":    func(c net.Conn, r []byte) { c.Write(tcpFrame(r, nil)); next(c) },
		"function alone":      func(c net.Conn, r []byte) { c.Write(tcpFrame(r, []byte{4})); next(c) },
		"too long": func(c net.Conn, r []byte) {
			c.Write(tcpFrame(r, append([]byte{4, 252}, make([]byte, 252)...)))
			next(c)
		},
		"huge length":     func(c net.Conn, r []byte) { b := echo(r); b[4] = 0xFF; c.Write(b); next(c) },
		"other function":  func(c net.Conn, r []byte) { b := echo(r); b[7] = 3; c.Write(b); next(c) },
		"other exception": func(c net.Conn, r []byte) { c.Write(tcpFrame(r, []byte{0x83, 2})); next(c) },
		"long exception":  func(c net.Conn, r []byte) { c.Write(tcpFrame(r, []byte{0x84, 2, 2})); next(c) },
		"flood of foreign frames": func(c net.Conn, r []byte) {
			b := echo(r)
			b[0] ^= 0x80
			for b = bytes.Repeat(b, 100); ; {
				if _, err := c.Write(b); err != nil {
					return
				}
			}
		},
		"flood of noise": func(c net.Conn, r []byte) {
			for {
				if _, err := c.Write(make([]byte, 1000)); err != nil {
					return
				}
			}
		},
		"a byte at a time, too slowly": func(c net.Conn, r []byte) {
			for _, b := range echo(r) {
				c.Write([]byte{b})
				time.Sleep(testTimeout / 4)
			}
		},
		"late": func(c net.Conn, r []byte) {
			time.Sleep(testTimeout * 3 / 2)
			c.Write(echo(r))
			honest(c)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			addr := serve(t, func(c net.Conn, n int) {
				r := next(c)
				if r == nil {
					return
				}
				if n < 3 {
					f(c, r)
					return
				}
				c.Write(echo(r))
				honest(c)
			})
			l := newTCPLink(addr, 1)
			defer l.close()
			for i := range uint16(3) {
				began := time.Now()
				err := readOne(t.Context(), l, 100+i)
				if err == nil {
					t.Fatalf("read %d succeeded", i)
				}
				var wrong *wrongValue
				if errors.As(err, &wrong) {
					t.Fatalf("register %d was asked for, and %d was returned", wrong.asked, wrong.got)
				}
				if exceptionIn(err) != nil {
					t.Fatalf("it's taken for an exception: %v", err)
				}
				if took := time.Since(began); took > 10*time.Second { // generous: a busy machine is no fault
					t.Errorf("read %d took %v to fail, with a timeout of %v: %v", i, took, testTimeout, err)
				}
			}
			for i := range uint16(20) {
				if err := readOne(t.Context(), l, 200+i); err != nil {
					t.Fatalf("read %d of a device that behaves again: %v", i, err)
				}
			}
		})
	}
}

// A connection that ends after any number of bytes of an answer is a failure
// of this read and of no later one.
func TestClosedAtEveryByte(t *testing.T) {
	frame := len(echo([]byte{0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 1}))
	for cut := range frame {
		addr := serve(t, func(c net.Conn, n int) {
			r := next(c)
			if r == nil {
				return
			}
			if n == 0 {
				c.Write(echo(r)[:cut])
				return
			}
			c.Write(echo(r))
			honest(c)
		})
		l := newTCPLink(addr, 1)
		if err := readOne(t.Context(), l, 7); err == nil {
			t.Errorf("cut after %d of %d bytes: no error", cut, frame)
		}
		for i := range uint16(3) {
			if err := readOne(t.Context(), l, i); err != nil {
				t.Errorf("after a cut at %d: %v", cut, err)
			}
		}
		l.close()
	}
}

// An answer may come in pieces, with others' answers before it and twice.
func TestAnswersAmongOthers(t *testing.T) {
	addr := serve(t, func(c net.Conn, _ int) {
		for r := next(c); r != nil; r = next(c) {
			old := echo(r)
			old[0]--
			old[10]++
			other := echo(r)
			other[6]++
			other[10]++
			for _, b := range slices.Concat(old, other, old, echo(r)) {
				c.Write([]byte{b})
			}
			c.Write(echo(r))
		}
	})
	l := newTCPLink(addr, 1)
	defer l.close()
	for i := range uint16(50) {
		if err := readOne(t.Context(), l, i); err != nil {
			t.Fatalf("read %d: %v", i, err)
		}
	}
}

// A device that closes an idle connection isn't broken: one read more on a new
// connection shows it. The same device closing at once every time is.
func TestIdleConnectionClosedByDevice(t *testing.T) {
	addr := serve(t, func(c net.Conn, n int) {
		if r := next(c); r != nil {
			c.Write(echo(r))
		}
	})
	l := newTCPLink(addr, 1)
	defer l.close()
	for i := range uint16(5) {
		if err := readOne(t.Context(), l, i); err != nil {
			t.Fatalf("read %d: %v", i, err)
		}
	}
}

// A connection on which a device has begun to answer and then closes isn't
// idle: that is a failure to be shown.
func TestConnectionClosedInsideALaterAnswer(t *testing.T) {
	addr := serve(t, func(c net.Conn, n int) {
		if r := next(c); r != nil {
			c.Write(echo(r))
		}
		if r := next(c); r != nil && n == 0 {
			c.Write(echo(r)[:5])
			return
		} else if r != nil {
			c.Write(echo(r))
		}
	})
	l := newTCPLink(addr, 1)
	defer l.close()
	if err := readOne(t.Context(), l, 1); err != nil {
		t.Fatal(err)
	}
	if err := readOne(t.Context(), l, 2); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("got %v, want %v", err, io.ErrUnexpectedEOF)
	}
	for i := range uint16(2) {
		if err := readOne(t.Context(), l, i); err != nil {
			t.Errorf("after it: %v", err)
		}
	}
}

func TestExceptionKeepsTheConnection(t *testing.T) {
	var connections atomic.Int32
	addr := serve(t, func(c net.Conn, n int) {
		connections.Add(1)
		for r := next(c); r != nil; r = next(c) {
			if r[9] == 1 {
				c.Write(tcpFrame(r, []byte{0x84, 2}))
			} else {
				c.Write(echo(r))
			}
		}
	})
	l := newTCPLink(addr, 1)
	for range 3 {
		var x *Exception
		if err := readOne(t.Context(), l, 1); !errors.As(err, &x) || x.Code != 2 {
			t.Errorf("got %v, want exception 02", err)
		}
		if err := readOne(t.Context(), l, 2); err != nil {
			t.Error(err)
		}
	}
	l.close()
	if n := connections.Load(); n != 1 {
		t.Errorf("%d connections were made", n)
	}
}

func TestCancelEndsARead(t *testing.T) {
	asked := make(chan bool, 1)
	addr := serve(t, func(c net.Conn, _ int) {
		next(c)
		asked <- true
		next(c)
	})
	l := newTCPLink(addr, 1)
	defer l.close()
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-asked; cancel() }()
	began := time.Now()
	_, err := readFrom(ctx, l, 1, InputRegisters, 0, 1, time.Minute)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want %v", err, context.Canceled)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("it took %v", took)
	}
	if err := readOne(ctx, l, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("a read after the end of its context: %v", err)
	}
}

// Whatever table is asked for, and there are 256 values of the type, the byte
// that says what the device shall do is that of a function that reads.
func TestOnlyReadsCanBeExpressed(t *testing.T) {
	for table := range 256 {
		a := ask{unit: 1, table: Table(table), address: 0xFFFF, quantity: 0xFFFF}
		if pdu := a.pdu(); len(pdu.Data) != 4 || pdu.FunctionCode < 1 || pdu.FunctionCode > 4 {
			t.Errorf("table %d is asked for with function %d and % x", table, pdu.FunctionCode, pdu.Data)
		}
	}
	for table, function := range map[Table]uint8{Coils: 1, DiscreteInputs: 2, HoldingRegisters: 3, InputRegisters: 4} {
		if table.Function() != function {
			t.Errorf("%v has function %d, want %d (V1.1b3, 6.1 to 6.4)", table, table.Function(), function)
		}
	}
}

func TestTooMuchIsNotAsked(t *testing.T) {
	d := newStandIn(t, false)
	l := newTCPLink(d.addr, 1)
	defer l.close()
	for _, c := range []struct {
		table    Table
		quantity uint16
	}{{InputRegisters, 0}, {InputRegisters, 126}, {HoldingRegisters, 65535}, {Coils, 2001}, {DiscreteInputs, 0}} {
		if _, err := readFrom(t.Context(), l, 1, c.table, 0, c.quantity, testTimeout); err == nil {
			t.Errorf("%d of %v were read", c.quantity, c.table)
		}
	}
	if n := len(d.asked()); n != 0 {
		t.Errorf("%d requests were sent", n)
	}
}

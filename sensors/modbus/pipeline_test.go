package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gapward/sensors"
)

// ends is what became of requests, by token.
type ends map[int]error

// askAll starts so many reads of one register each, as soon as the link takes
// them, and holds each answer against its question.
func askAll(ctx context.Context, t *testing.T, l link, n int, timeout time.Duration) ends {
	t.Helper()
	out := ends{}
	for started := 0; len(out) < n; {
		for started < n && l.ready() {
			l.start(ctx, started, ask{1, InputRegisters, uint16(started), 1, timeout})
			started++
		}
		token, r, err, ok := l.await(ctx, time.Now().Add(10*time.Second))
		if !ok {
			t.Fatalf("nothing ended; so far %v", out)
		}
		if _, twice := out[token]; twice {
			t.Fatalf("request %d ended twice", token)
		}
		if err == nil {
			if got := binary.BigEndian.Uint16(r.data); got != uint16(token) {
				t.Fatalf("register %d was asked for, and %d was returned", token, got)
			}
		}
		out[token] = err
	}
	return out
}

// A device that holds four requests before it answers any, the last first, is
// asked four at once, and each answer finds its question.
func TestSeveralInFlight(t *testing.T) {
	addr := serve(t, func(c net.Conn, _ int) {
		for {
			var held [][]byte
			for range 4 {
				r := next(c)
				if r == nil {
					return
				}
				held = append(held, r)
			}
			slices.Reverse(held)
			for _, r := range held {
				c.Write(echo(r))
			}
		}
	})
	l := newTCPLink(addr, 4)
	defer l.close()
	for token, err := range askAll(t.Context(), t, l, 40, 5*time.Second) {
		if err != nil {
			t.Errorf("request %d: %v", token, err)
		}
	}
}

// Whatever a device does to one of four requests under way, no answer is taken
// for another's, each request ends in time, and once the device behaves all are
// answered again.
func TestHostileToThePipeline(t *testing.T) {
	answerAll := func(c net.Conn, held [][]byte) {
		for _, r := range held {
			c.Write(echo(r))
		}
	}
	for name, f := range map[string]func(c net.Conn, held [][]byte){
		"never answers one": func(c net.Conn, held [][]byte) { answerAll(c, held[1:]); honest(c) },
		"never answers":     func(c net.Conn, held [][]byte) { next(c) },
		"closes":            func(net.Conn, [][]byte) {},
		"closes after one":  func(c net.Conn, held [][]byte) { answerAll(c, held[:1]) },
		"garbage after one": func(c net.Conn, held [][]byte) {
			answerAll(c, held[:1])
			c.Write(bytes.Repeat([]byte{0xA5}, 300))
			next(c)
		},
		"transactions swapped": func(c net.Conn, held [][]byte) {
			held[0][1], held[1][1] = 200, 201
			answerAll(c, held)
			next(c)
		},
		"answers twice": func(c net.Conn, held [][]byte) { answerAll(c, held[:2]); answerAll(c, held[:2]); next(c) },
		"other units":   func(c net.Conn, held [][]byte) { held[2][6], held[3][6] = 9, 9; answerAll(c, held); next(c) },
		"late": func(c net.Conn, held [][]byte) {
			answerAll(c, held[2:])
			time.Sleep(testTimeout * 3 / 2)
			answerAll(c, held[:2])
			honest(c)
		},
		"flood": func(c net.Conn, held [][]byte) {
			held[0][0] ^= 0x80
			for b := bytes.Repeat(echo(held[0]), 100); ; {
				if _, err := c.Write(b); err != nil {
					return
				}
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var well atomic.Bool
			addr := serve(t, func(c net.Conn, n int) {
				if well.Load() {
					honest(c)
					return
				}
				var held [][]byte
				for range 4 {
					r := next(c)
					if r == nil {
						return
					}
					held = append(held, r)
				}
				f(c, held)
			})
			l := newTCPLink(addr, 4)
			defer l.close()
			began := time.Now()
			failed := 0
			for _, err := range askAll(t.Context(), t, l, 4, testTimeout) {
				if err != nil {
					failed++
					if exceptionIn(err) != nil {
						t.Errorf("it's taken for an exception: %v", err)
					}
				}
			}
			if took := time.Since(began); took > 10*time.Second { // generous: a busy machine is no fault
				t.Errorf("it took %v with a timeout of %v", took, testTimeout)
			}
			if failed == 0 {
				t.Error("all were answered")
			}
			well.Store(true)
			good := 0
			for range 3 { // the first may still meet the connection that is to be given up
				good = 0
				for _, err := range askAll(t.Context(), t, l, 20, time.Second) {
					if err == nil {
						good++
					}
				}
			}
			if good != 20 {
				t.Errorf("of a device that behaves again %d of 20 requests were answered", good)
			}
		})
	}
}

// A dead unit behind a gateway costs its neighbours nothing where the gateway
// takes several requests at once: they are answered while it is waited for.
func TestDeadUnitInThePipeline(t *testing.T) {
	addr := serve(t, func(c net.Conn, _ int) {
		for r := next(c); r != nil; r = next(c) {
			if r[6] != 1 {
				c.Write(echo(r))
			}
		}
	})
	besideADeadUnit(t, "tcp://"+addr, 4, false)
}

// besideADeadUnit wants two units read beside one that is dead. Waiting for that
// in turn would leave them less than half of their polls. A busy machine may
// leave them as few, so it is tried some times.
func besideADeadUnit(t *testing.T, address string, inFlight int, own bool) {
	t.Helper()
	good := 0
	for range 5 {
		var dead int
		good, dead = runUnits(t, address, 3, inFlight, own, 2*time.Second)
		if dead > 0 {
			t.Fatalf("the dead unit was read %d times", dead)
		}
		if good >= 2*2000/20*3/4 {
			return
		}
		t.Logf("two others were read %d times in 2 s, of 200", good)
	}
	t.Errorf("beside a dead unit two others were read %d times in 2 s, of 200", good)
}

// … and likewise where each unit has a connection of its own.
func TestDeadUnitOnItsOwnConnection(t *testing.T) {
	addr := serve(t, func(c net.Conn, _ int) {
		for r := next(c); r != nil; r = next(c) {
			if r[6] != 1 {
				c.Write(echo(r))
			}
		}
	})
	besideADeadUnit(t, "tcp://"+addr, 1, true)
}

// runUnits reads units 1 and up of an address for a while, each every 20 ms,
// and counts the good readings of unit 1 and those of the others.
func runUnits(t *testing.T, address string, units, inFlight int, own bool, d time.Duration) (others, first int) {
	t.Helper()
	devices := map[string]sensors.Device{}
	var channels []sensors.Channel
	for i := range units {
		name := string(rune('a' + i))
		devices[name] = sensors.Device{Modbus: address, Unit: uint8(1 + i), Timeout: 200 * time.Millisecond, InFlight: inFlight, OwnConn: own}
		c := input(int32(i), 5, 20*time.Millisecond)
		c.Wiring.Device = name
		channels = append(channels, c)
	}
	sources, err := Sources(devices, channels, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := map[bool]int{true: units, false: 1}[own]; len(sources) != want {
		t.Fatalf("%d sources, want %d", len(sources), want)
	}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	out := make(chan []sensors.Sample)
	done := make(chan error)
	for _, s := range sources {
		go func() { done <- s.Run(ctx, out) }()
	}
	for running := len(sources); running > 0; {
		select {
		case batch := <-out:
			for _, s := range batch {
				switch {
				case s.Quality != sensors.Good:
				case s.Brake == 0:
					first++
				default:
					others++
				}
			}
		case err := <-done:
			running--
			if err != nil {
				t.Error(err)
			}
		}
	}
	return others, first
}

// Connecting and asking have one deadline between them, and a listener that
// takes no more connections doesn't double it.
func TestOneDeadlineForConnectingAndAsking(t *testing.T) {
	addr := serve(t, func(c net.Conn, _ int) { next(c); next(c) })
	l := newTCPLink(addr, 1)
	defer l.close()
	least := time.Hour // of some tries: a machine that is busy makes one take longer
	for range 5 {
		began := time.Now()
		if err := readOne(t.Context(), l, 1); err == nil || !strings.Contains(err.Error(), "no answer from") {
			t.Errorf("got %v", err)
		}
		least = min(least, time.Since(began))
	}
	if least > testTimeout*3/2 && least < 2*testTimeout+testTimeout/2 {
		t.Errorf("it took %v at least, twice the timeout of %v", least, testTimeout)
	}
}

// stuckPort takes no data, as an adapter that hangs.
type stuckPort struct {
	cannedPort
	closed chan struct{}
}

func (p *stuckPort) Write([]byte) (int, error) { <-p.closed; return 0, errors.New("closed") }
func (p *stuckPort) Read([]byte) (int, error)  { time.Sleep(time.Millisecond); return 0, nil }
func (p *stuckPort) Close() error              { close(p.closed); return nil }

// A write to a serial port that takes nothing ends with the deadline, or with
// the context, and the port is opened again.
func TestPortThatTakesNothing(t *testing.T) {
	opened := 0
	l := newRTULink(Line{Baud: 115200, Parity: EvenParity, Stop: 1}, func(context.Context, time.Duration) (port, error) {
		opened++
		return &stuckPort{closed: make(chan struct{})}, nil
	})
	defer l.close()
	for i := range 3 {
		_, err := l.read(t.Context(), ask{1, InputRegisters, 0, 1, 50 * time.Millisecond})
		if err == nil || !strings.Contains(err.Error(), "the port takes no data") {
			t.Fatalf("got %v", err)
		}
		if opened != i+1 {
			t.Errorf("after %d failures the port was opened %d times", i+1, opened)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(20*time.Millisecond, cancel)
	began := time.Now()
	if _, err := l.read(ctx, ask{1, InputRegisters, 0, 1, time.Minute}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("ending it took %v", took)
	}
}

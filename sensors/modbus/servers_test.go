package modbus

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.bug.st/serial"

	"gapward/sensors"
)

// need skips a test that wants a part which isn't installed, or fails it where
// GAPWARD_REAL=1 says that all of them must be.
func need(t *testing.T, ok bool, what string) {
	t.Helper()
	switch {
	case ok:
	case os.Getenv("GAPWARD_REAL") == "1":
		t.Fatalf("%s is missing, and GAPWARD_REAL=1 asks for it", what)
	default:
		t.Skipf("%s is missing", what)
	}
}

func runs(name string, args ...string) bool { return exec.Command(name, args...).Run() == nil }

// spawn starts a program and waits for it to print a line. It ends with the
// test.
func spawn(t *testing.T, name string, args ...string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		cmd.Wait() // killed; the status says so
	})
	if _, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatalf("%s ended before it was ready: %v", name, err)
	}
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// waitFor tries until a TCP server listens.
func waitFor(t *testing.T, addr string) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); ; {
		c, err := net.Dial("tcp", addr)
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("nobody listens at %s: %v", addr, err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

const pythonPath = "/usr/bin/python3"

func TestReadsFromPymodbus(t *testing.T) {
	need(t, runs(pythonPath, "-c", "import pymodbus, serial_asyncio"), "python3-pymodbus")
	port := freePort(t)
	spawn(t, pythonPath, "testdata/pymodbus_server.py", port)
	waitFor(t, "127.0.0.1:"+port)
	compareTables(t, "tcp://127.0.0.1:"+port)
}

// libmodbusServer compiles the server.
func libmodbusServer(t *testing.T) string {
	t.Helper()
	gcc, err := exec.LookPath("gcc")
	need(t, err == nil, "gcc")
	path := filepath.Join(t.TempDir(), "server")
	out, err := exec.Command(gcc, "-I/usr/include/modbus", "-o", path, "testdata/libmodbus_server.c", "-lmodbus").CombinedOutput()
	need(t, err == nil, "libmodbus-dev ("+string(out)+")")
	return path
}

func TestReadsFromLibmodbus(t *testing.T) {
	server := libmodbusServer(t)
	port := freePort(t)
	spawn(t, server, "tcp", port)
	compareTables(t, "tcp://127.0.0.1:"+port)
}

func TestReadsFromLibmodbusByLine(t *testing.T) {
	server := libmodbusServer(t)
	ours := pseudoLine(t, func(theirs string) { spawn(t, server, "rtu", theirs) })
	// A pseudo-terminal ignores the rate; what is kept is the silence.
	compareTables(t, "rtu://"+ours+"?baud=115200&parity=even")
}

// pseudoLine makes two serial ports that are joined, has start use one, and
// returns the other.
func pseudoLine(t *testing.T, start func(theirs string)) (ours string) {
	t.Helper()
	dir := t.TempDir()
	ours, theirs := filepath.Join(dir, "ours"), filepath.Join(dir, "theirs")
	plugIn(t, ours, theirs)
	start(theirs)
	return ours
}

// plugIn makes the two ports and returns what takes them away again.
func plugIn(t *testing.T, ours, theirs string) (unplug func()) {
	t.Helper()
	socat, err := exec.LookPath("socat")
	need(t, err == nil, "socat")
	cmd := exec.Command(socat, "PTY,link="+ours+",raw,echo=0", "PTY,link="+theirs+",raw,echo=0")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var once sync.Once
	unplug = func() {
		once.Do(func() {
			cmd.Process.Signal(syscall.SIGTERM) // so that it removes the links
			cmd.Wait()                          // ended by a signal; the status says so
		})
	}
	t.Cleanup(unplug)
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		_, err1 := os.Stat(ours)
		_, err2 := os.Stat(theirs)
		if err1 == nil && err2 == nil {
			return unplug
		}
		if time.Now().After(deadline) {
			t.Fatal("socat made no ports")
		}
	}
}

// serialDevice answers on a serial port until the port is gone.
func serialDevice(t *testing.T, d *standIn, path string) {
	t.Helper()
	p, err := serial.Open(path, &serial.Mode{BaudRate: 115200, DataBits: 8, Parity: serial.EvenParity})
	if err != nil {
		t.Fatal(err)
	}
	var running sync.WaitGroup
	t.Cleanup(func() {
		p.Close()
		running.Wait()
	})
	running.Go(func() {
		var request []byte
		b := make([]byte, 8)
		for {
			n, err := p.Read(b[:8-len(request)])
			if err != nil {
				return
			}
			request = append(request, b[:n]...)
			if len(request) < 8 {
				continue
			}
			if pdu := d.answer(request[1:6]); pdu != nil {
				p.Write(rtuFrame(request[0], pdu))
			}
			request = nil
		}
	})
}

// A serial adapter that is pulled out, and put in again later, is a silence
// and an end of it.
func TestUnpluggedAdapter(t *testing.T) {
	dir := t.TempDir()
	ours, theirs := filepath.Join(dir, "ours"), filepath.Join(dir, "theirs")
	unplug := plugIn(t, ours, theirs)
	d := newStandIn(t, true)
	d.set(sensors.Travel, 2)
	serialDevice(t, d, theirs)

	dev := sensors.Device{Modbus: "rtu://" + ours + "?baud=115200", Unit: 7, Timeout: 50 * time.Millisecond}
	s, err := New("quay-io", dev, brakeChannels(20 * time.Millisecond)[:1], nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out := make(chan []sensors.Sample)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, out) }()
	await := func(q sensors.Quality, when string) {
		t.Helper()
		deadline := time.After(8 * time.Second)
		for {
			select {
			case batch := <-out:
				if batch[0].Quality == q {
					return
				}
			case err := <-done:
				t.Fatalf("%s: Run returned %v", when, err)
			case <-deadline:
				t.Fatalf("%s: no sample was %v", when, q)
			}
		}
	}
	await(sensors.Good, "at first")
	unplug()
	await(sensors.NoAnswer, "unplugged")
	plugIn(t, ours, theirs)
	serialDevice(t, d, theirs)
	await(sensors.Good, "plugged in again")
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(time.Second):
		t.Error("Run hadn't returned a second after its context ended")
	}
}

// compareTables reads all four tables of a server that others have written, in
// the largest and the smallest blocks, and then through a whole source.
func compareTables(t *testing.T, url string) {
	t.Helper()
	a, err := ParseAddress(url)
	if err != nil {
		t.Fatal(err)
	}
	l := newLink(a, 1)
	defer l.close()
	bit := map[Table]uint16{Coils: 3, DiscreteInputs: 5}
	register := func(function Table, i uint16) uint16 {
		if function == HoldingRegisters {
			return i * 7
		}
		return 65535 - 3*i
	}
	for function := Coils; function <= InputRegisters; function++ {
		for _, b := range [][2]uint16{{0, 1}, {0, 125}, {75, 125}, {199, 1}, {13, 17}, {100, 2000}} {
			from, n := b[0], b[1]
			if function >= HoldingRegisters && n > 125 {
				continue
			}
			r, err := readFrom(t.Context(), l, 1, function, from, n, 2*time.Second)
			if err != nil {
				t.Fatalf("function %d, %d from %d: %v", function, n, from, err)
			}
			for i := range n {
				if m := bit[function]; m != 0 {
					if got, err := DecodeBit(r.data, int(i)); err != nil || got != ((from+i)%m == 0) {
						t.Fatalf("function %d: bit %d is %v (%v)", function, from+i, got, err)
					}
				} else if got := binary.BigEndian.Uint16(r.data[2*i:]); got != register(function, from+i) {
					t.Fatalf("function %d: register %d is %d, want %d", function, from+i, got, register(function, from+i))
				}
			}
		}
		var x *Exception
		if _, err := readFrom(t.Context(), l, 1, function, 5000, 1, 2*time.Second); !errors.As(err, &x) || x.Code != illegalAddress {
			t.Errorf("function %d: an address that isn't there: %v, want exception 02", function, err)
		}
		if _, err := readFrom(t.Context(), l, 1, function, 2, 1, 2*time.Second); err != nil {
			t.Errorf("function %d: after the exception: %v", function, err)
		}
	}
	l.close()

	var channels []sensors.Channel
	for b := range int32(40) {
		c := input(b, uint16(5*b), 20*time.Millisecond)
		if b%2 == 1 {
			c.Wiring.Holding, c.Wiring.Input = c.Wiring.Input, nil
		}
		d := discrete(b, uint16(7*b), 20*time.Millisecond)
		if b%2 == 1 {
			d.Wiring.Coil, d.Wiring.Discrete = d.Wiring.Discrete, nil
		}
		channels = append(channels, c, d)
	}
	if err := readAll(t, sensors.Device{Modbus: url, Unit: 1, Timeout: time.Second}, channels, func(c sensors.Channel) float64 {
		w := c.Wiring
		switch {
		case w.Input != nil:
			return float64(register(InputRegisters, *w.Input))
		case w.Holding != nil:
			return float64(register(HoldingRegisters, *w.Holding))
		case w.Discrete != nil && *w.Discrete%5 == 0, w.Coil != nil && *w.Coil%3 == 0:
			return 1
		}
		return 0
	}); err != nil {
		t.Error(err)
	}
}

// readAll runs a source until every channel has been read five times, and
// holds every sample against want.
func readAll(t *testing.T, dev sensors.Device, channels []sensors.Channel, want func(sensors.Channel) float64) error {
	t.Helper()
	type key struct {
		brake  int32
		signal sensors.Signal
	}
	wanted := make(map[key]float64)
	for _, c := range channels {
		wanted[key{c.Brake, c.Signal}] = want(c)
	}
	s, err := New("quay-io", dev, channels, nil, nil)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	out := make(chan []sensors.Sample)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, out) }()
	count := make(map[key]int)
	for enough := 0; enough < len(channels); {
		select {
		case batch := <-out:
			for _, smp := range batch {
				k := key{smp.Brake, smp.Signal}
				if smp.Quality != sensors.Good || smp.Value != wanted[k] {
					return fmt.Errorf("%v of brake %d is %v, %v; want %v", smp.Signal, smp.Brake, smp.Value, smp.Quality, wanted[k])
				}
				if count[k]++; count[k] == 5 {
					enough++
				}
			}
		case err := <-done:
			return fmt.Errorf("Run ended early: %v, %v", err, ctx.Err())
		}
	}
	cancel()
	return <-done
}

package field

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"log/slog"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/sensors/modbus"
	"gapward/simulator"
)

// startLine serves unit 17 with a memory on one end of a pipe, and returns the
// other.
func startLine(t *testing.T, m memory, c func() conduct) net.Conn {
	t.Helper()
	ours, theirs := net.Pipe()
	s := &rtuServer{name: "pipe", log: slog.New(slog.DiscardHandler),
		unit:    func(unit uint8) (memory, bool) { return m, unit == 17 },
		conduct: func(uint8) conduct { return c() }}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.serve(ctx, &netWire{Conn: theirs}) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the line ended with %v", err)
		}
	})
	if err := ours.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return ours
}

// onLine is what comes within a while.
func onLine(t *testing.T, c net.Conn, want int) []byte {
	t.Helper()
	within := 5 * time.Second
	if want == 0 {
		within = 4 * hush
	}
	b := make([]byte, maxRTU)
	n := 0
	if err := c.SetReadDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	for n == 0 || n < want {
		m, err := c.Read(b[n:])
		n += m
		if err != nil {
			break
		}
	}
	return b[:n]
}

type rtuExample struct {
	name           string
	request, reply []byte
}

func rtuExamples(t *testing.T) (list []rtuExample) {
	t.Helper()
	f, err := os.Open("testdata/rtu_frames.csv")
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
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, row := range rows {
		list = append(list, rtuExample{row[0], unhex(row[1]), unhex(row[2])})
	}
	return list
}

func TestSpecificationExamplesOnALine(t *testing.T) {
	c := startLine(t, newSpecMemory(), healthyConduct)
	for _, e := range rtuExamples(t) {
		if !checked(e.request) || len(e.reply) > 0 && !checked(e.reply) {
			t.Errorf("%s: the check isn't the specification's", e.name)
		}
		if _, err := c.Write(e.request); err != nil {
			t.Fatal(err)
		}
		if got := onLine(t, c, len(e.reply)); !bytes.Equal(got, e.reply) {
			t.Errorf("%s: the answer is % X, want % X", e.name, got, e.reply)
		}
	}
}

// What is no request gets no answer, and the next request gets its own.
func TestALineKeepsSilentToWhatIsNotForIt(t *testing.T) {
	c := startLine(t, newSpecMemory(), healthyConduct)
	good := appendCheck([]byte{17, 4, 0, 8, 0, 1})
	answered := appendCheck([]byte{17, 4, 2, 0, 10})
	spoilt := bytes.Clone(good)
	spoilt[3] ^= 1
	for name, sent := range map[string][]byte{
		"a wrong check":        spoilt,
		"half a request":       good[:5],
		"one byte":             good[:1],
		"another unit":         appendCheck([]byte{18, 4, 0, 8, 0, 1}),
		"everybody":            appendCheck([]byte{0, 4, 0, 8, 0, 1}),
		"another one's answer": appendCheck([]byte{18, 4, 4, 0, 1, 0, 2}),
		"noise":                bytes.Repeat([]byte{0x55}, 700),
	} {
		if _, err := c.Write(sent); err != nil {
			t.Fatal(err)
		}
		if got := onLine(t, c, 0); len(got) > 0 {
			t.Errorf("%s is answered with % X", name, got)
		}
		if _, err := c.Write(good); err != nil {
			t.Fatal(err)
		}
		if got := onLine(t, c, len(answered)); !bytes.Equal(got, answered) {
			t.Errorf("after %s a request is answered with % X", name, got)
		}
	}
	// A request may come in pieces.
	for _, piece := range [][]byte{good[:1], good[1:3], good[3:]} {
		if _, err := c.Write(piece); err != nil {
			t.Fatal(err)
		}
	}
	if got := onLine(t, c, len(answered)); !bytes.Equal(got, answered) {
		t.Errorf("a request in pieces is answered with % X", got)
	}
}

func TestASilentUnitOnALine(t *testing.T) {
	silent := true
	c := startLine(t, newSpecMemory(), func() conduct { return conduct{silent: silent} })
	good := appendCheck([]byte{17, 4, 0, 8, 0, 1})
	if _, err := c.Write(good); err != nil {
		t.Fatal(err)
	}
	if got := onLine(t, c, 0); len(got) > 0 {
		t.Errorf("a silent unit says % X", got)
	}
}

// Characters take the time that the line's rate gives them: 8 + 7 of them and
// two silences at 9600 Bd, 11 bits each.
func TestTheTimeOfALine(t *testing.T) {
	p := paceOf(lineSettings{baud: 9600, parity: "even", stop: 1})
	if want := 11 * time.Second / 9600; p.char != want || p.silence != want*7/2 {
		t.Errorf("at 9600 Bd a character takes %v and the silence %v", p.char, p.silence)
	}
	if p := paceOf(lineSettings{baud: 115200, parity: "none", stop: 2}); p.silence != 1750*time.Microsecond {
		t.Errorf("above 19200 Bd the silence is %v", p.silence)
	}
	ours, theirs := net.Pipe()
	defer ours.Close()
	s := &rtuServer{name: "pipe", pace: p, log: slog.New(slog.DiscardHandler),
		unit:    func(uint8) (memory, bool) { return newSpecMemory(), true },
		conduct: func(uint8) conduct { return conduct{} }}
	go s.serve(t.Context(), &netWire{Conn: theirs})
	began := time.Now()
	if _, err := ours.Write(appendCheck([]byte{17, 4, 0, 8, 0, 1})); err != nil {
		t.Fatal(err)
	}
	onLine(t, ours, 7)
	if took, least := time.Since(began), 15*p.char+p.silence; took < least {
		t.Errorf("request and reply took %v, and the line needs %v", took, least)
	}
}

// lineDevices is the quay's site with its devices on one serial line.
func lineDevices(t *testing.T, url string) (map[string]sensors.Device, []sensors.Channel) {
	t.Helper()
	devices, channels := quaySite()
	for name, d := range devices {
		d.Modbus, d.Timeout = url, 2*time.Second // the machine may be busy
		devices[name] = d
	}
	for i := range channels {
		channels[i].Wiring.Poll = 60 * time.Millisecond
	}
	return devices, channels
}

// needLinux skips where pseudo terminals aren't known.
func needLinux(t *testing.T) {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("pseudo terminals are made on Linux only")
	}
}

// readByOurOwn has the reading side read all channels for two seconds and
// compares with the plant.
func readByOurOwn(t *testing.T, devices map[string]sensors.Device, channels []sensors.Channel, plant *simulator.Plant) {
	t.Helper()
	sources, err := modbus.Sources(devices, channels, nil, nil)
	if err != nil || len(sources) != 1 {
		t.Fatalf("%d sources, %v", len(sources), err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	out := make(chan []sensors.Sample, 16)
	done := make(chan error, 1)
	go func() { done <- sources[0].Run(ctx, out); close(out) }()
	type key struct {
		brake  int32
		signal sensors.Signal
	}
	got := map[key]int{}
	for batch := range out {
		for _, s := range batch {
			if s.Quality != sensors.Good {
				t.Fatalf("%v of brake %d is %v", s.Signal, s.Brake, s.Quality)
			}
			// The plant can be asked of the present segment only; the levels of
			// a brake at rest hold for long, so most readings must agree.
			if math.Abs(plant.Read(s.Brake, s.Signal, s.AtNS).Value-s.Value) < 0.06 {
				got[key{s.Brake, s.Signal}]++
			}
		}
		if enough := len(got) == len(channels); enough {
			for _, n := range got {
				enough = enough && n >= 10
			}
			if enough {
				cancel()
			}
		}
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	for _, c := range channels {
		if n := got[key{c.Brake, c.Signal}]; n < 10 {
			t.Errorf("%v of %s was read rightly %d times", c.Signal, c.Name, n)
		}
	}
}

func TestOurOwnSourceReadsASimulatedSerialLine(t *testing.T) {
	needLinux(t)
	path := filepath.Join(t.TempDir(), "ttyQuay")
	devices, channels := lineDevices(t, "rtu://"+path+"?baud=115200&parity=even")
	f, plant := stand(t, devices, channels, time.Now)
	if f.Addr("pit-io") != path {
		t.Errorf("the device is at %q", f.Addr("pit-io"))
	}
	readByOurOwn(t, devices, channels, plant)
}

func TestOurOwnSourceReadsALineBehindASerialServer(t *testing.T) {
	devices, channels := lineDevices(t, "rtu+tcp://127.0.0.1:0?baud=115200")
	f, plant := stand(t, devices, channels, time.Now)
	for name, d := range devices {
		d.Modbus = "rtu+tcp://" + f.Addr(name) + "?baud=115200"
		devices[name] = d
	}
	readByOurOwn(t, devices, channels, plant)
}

// The link stands while the stand-in runs, and a dead one is no hindrance.
func TestTheLinkToAPseudoTerminal(t *testing.T) {
	needLinux(t)
	path := filepath.Join(t.TempDir(), "ttyQuay")
	if err := os.Symlink("/dev/pts/there-is-none", path); err != nil {
		t.Fatal(err)
	}
	devices, channels := lineDevices(t, "rtu://"+path)
	plant, err := simulator.NewPlant(simulator.SpecsFor(channels, simulator.ContinuousDuty(), 3, nil), time.Now(), 3)
	if err != nil {
		t.Fatal(err)
	}
	f, err := New(Config{Devices: devices, Channels: channels, Plant: plant})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); err != nil {
		t.Errorf("while it stands: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := f.Run(ctx); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(path); !os.IsNotExist(err) {
		t.Errorf("the link is left behind: %v", err)
	}
}

func TestMbpollReadsASimulatedSerialLine(t *testing.T) {
	needLinux(t)
	mbpoll, err := exec.LookPath("mbpoll")
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("GAPWARD_REAL=1 wants mbpoll: %v", err)
		}
		t.Skip("mbpoll is not installed")
	}
	path := filepath.Join(t.TempDir(), "ttyQuay")
	devices, channels := lineDevices(t, "rtu://"+path+"?baud=19200&parity=even")
	stand(t, devices, channels, time.Now)
	ask := func(args ...string) (string, error) {
		out, err := exec.Command(mbpoll, append(append([]string{"-m", "rtu", "-b", "19200", "-P", "even", "-o", "2", "-0", "-1"}, args...), path)...).CombinedOutput()
		return string(out), err
	}
	out, err := ask("-a", "1", "-t", "3", "-r", "0", "-c", "2")
	if err != nil || !regexp.MustCompile(`(?s)\[0\]:\s+\d+.*\[1\]:\s+-?\d+`).MatchString(out) {
		t.Errorf("input registers 0 and 1: %v\n%s", err, out)
	}
	out, err = ask("-a", "2", "-t", "4:float", "-r", "100", "-c", "1")
	if err != nil || !regexp.MustCompile(`\[100\]:\s+[\d.]+`).MatchString(out) {
		t.Errorf("a float in holding registers 100 and 101: %v\n%s", err, out)
	}
	out, err = ask("-a", "2", "-t", "0", "-r", "7", "-c", "1")
	if err != nil || !regexp.MustCompile(`\[7\]:\s+[01]`).MatchString(out) {
		t.Errorf("coil 7: %v\n%s", err, out)
	}
	if out, err = ask("-a", "1", "-t", "3", "-r", "9", "-c", "1"); err == nil || !strings.Contains(out, "Illegal data address") {
		t.Errorf("a register that isn't there: %v\n%s", err, out)
	}
}

// An existing port is opened as it is: here one end of a pair of pseudo
// terminals, with mbpoll's place taken by the reading side.
func TestAnExistingPortIsOpened(t *testing.T) {
	needLinux(t)
	socat, err := exec.LookPath("socat")
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("GAPWARD_REAL=1 wants socat: %v", err)
		}
		t.Skip("socat is not installed")
	}
	dir := t.TempDir()
	devicesEnd, mastersEnd := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	cmd := exec.Command(socat, "PTY,link="+devicesEnd+",raw,echo=0", "PTY,link="+mastersEnd+",raw,echo=0")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait() // killed; the status says so
	})
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		_, a := os.Stat(devicesEnd)
		_, b := os.Stat(mastersEnd)
		if a == nil && b == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("socat makes no ports")
		}
	}
	devices, channels := lineDevices(t, "rtu://"+devicesEnd+"?baud=115200")
	_, plant := stand(t, devices, channels, time.Now)
	for name, d := range devices {
		d.Modbus = "rtu://" + mastersEnd + "?baud=115200"
		devices[name] = d
	}
	readByOurOwn(t, devices, channels, plant)
}

// Whatever comes on the line, the server neither fails nor answers anything
// but a frame with the right check.
func FuzzLine(f *testing.F) {
	for _, hexed := range []string{"110300 6B00037687", "0207 4112", "11040008000198B2", ""} {
		b, err := hex.DecodeString(strings.ReplaceAll(hexed, " ", ""))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	m := newSpecMemory()
	f.Fuzz(func(t *testing.T, frame []byte) {
		if len(frame) > maxRTU-checkBytes {
			return
		}
		out := &sink{}
		s := &rtuServer{unit: func(u uint8) (memory, bool) { return m, u == 17 }, conduct: func(uint8) conduct { return conduct{} }, log: slog.New(slog.DiscardHandler)}
		for _, sent := range [][]byte{frame, appendCheck(bytes.Clone(frame))} {
			out.Reset()
			if err := s.answer(t.Context(), out, sent); err != nil {
				t.Fatal(err)
			}
			if got := out.Bytes(); len(got) > 0 && (!checked(got) || len(got) > maxRTU || got[0] != 17) {
				t.Errorf("% X is answered with % X", sent, got)
			}
		}
	})
}

// sink is a wire that keeps what is sent.
type sink struct{ bytes.Buffer }

func (*sink) Close() error                       { return nil }
func (*sink) SetReadTimeout(time.Duration) error { return nil }

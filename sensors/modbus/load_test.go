package modbus

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	goburrow "github.com/goburrow/modbus"

	"gapward/sensors"
)

// loadFor is a flag and so belongs to the package; nothing else does.
var loadFor = flag.Duration("load", 0, "measure the load of many brakes, each row for so long; see TestLoad")

const loadPeriod = 20 * time.Millisecond

// TestLoad measures what reading many brakes costs, against a raw loop in the
// same run: goburrow's client, asking for one register after the other.
//
//	go test ./sensors/modbus -run 'TestLoad$' -v -args -load 10s
//
// CPU is that of the reading process alone, as the device is another process.
// Lateness is by how much a reading is later than the earliest of its brake
// within its period; the last column is CPU a sample over the raw loop's.
//
// How many brakes a core can serve shows where it is kept busy, so the last row
// has as many requests as the raw loop of 500 brakes, each of 16 brakes. With
// -load the aims must hold: that serves ten times the brakes per core, and the
// same requests as the raw loop's cost no more than 1.3 times as much. Without,
// a short run shows that each way reads every brake, and judges no cost.
func TestLoad(t *testing.T) {
	rows, d, turns := []int{1, 10, 16, 100, 500}, *loadFor, 3
	if d == 0 {
		rows, d, turns = []int{500}, 200*time.Millisecond, 1
	}
	judged := turns > 1
	address := loadDevice(t)
	plan := func(n, block, inFlight int) measured {
		return measure(t, func(ctx context.Context, note func(brake int32, at time.Time)) {
			planned(ctx, t, address, n, block, inFlight, note)
		}, n, d)
	}
	t.Logf("%-7s %-18s %9s %12s %11s %12s %15s %6s", "brakes", "read by", "samples/s", "CPU/sample", "period", "p99 lateness", "brakes per core", "CPU")
	loop := func(n int) measured {
		return measure(t, func(ctx context.Context, note func(brake int32, at time.Time)) { rawLoop(ctx, t, address, n, note) }, n, d)
	}
	var raw measured
	for _, n := range rows {
		var same measured
		raw, same = takeTurns(turns, func() measured { return loop(n) }, func() measured { return plan(n, 1, 1) })
		t.Log(raw.row(n, "raw loop", raw))
		t.Log(same.row(n, "the same requests", raw))
		t.Log(plan(n, 1, 4).row(n, "… four in flight", raw))
		t.Log(plan(n, 16, 1).row(n, "blocks of 16", raw))
		if ratio := same.timesCPU(raw); judged && n >= 100 && ratio > 1.3 {
			t.Errorf("%d brakes, the same requests: %.2f times the CPU of the raw loop, more than 1.3", n, ratio)
		}
	}
	const many = 16 * 500
	most := rows[len(rows)-1]
	again, full := takeTurns(turns, func() measured { return loop(most) }, func() measured { return plan(many, 16, 1) })
	raw = cheaper(raw, again)
	t.Log(full.row(many, "blocks of 16", raw))
	if more := 1 / full.timesCPU(raw); judged && more < 10 {
		t.Errorf("in blocks of 16 a core serves %.1f times the brakes of the raw loop, less than 10", more)
	}
}

// takeTurns measures two ways of reading in turn, some times, and returns the least
// disturbed of each: the machine may have other things to do, and what they take
// from its caches counts as the reader's own.
func takeTurns(turns int, a, b func() measured) (bestA, bestB measured) {
	bestA, bestB = a(), b()
	for range turns - 1 {
		bestA, bestB = cheaper(bestA, a()), cheaper(bestB, b())
	}
	return bestA, bestB
}

func cheaper(a, b measured) measured {
	if b.perSample < a.perSample {
		return b
	}
	return a
}

// measured is what a way of reading cost and how evenly it read.
type measured struct {
	samples   int
	over      time.Duration
	perSample time.Duration // CPU
	period    time.Duration // achieved, on average
	late      time.Duration // 99 % are no later
}

func (m measured) row(brakes int, name string, raw measured) string {
	return fmt.Sprintf("%-7d %-18s %9.0f %12s %11s %12s %15.0f %5.2f×", brakes, name, float64(m.samples)/m.over.Seconds(),
		m.perSample, m.period.Round(10*time.Microsecond), m.late.Round(10*time.Microsecond), float64(loadPeriod)/float64(m.perSample), m.timesCPU(raw))
}

// timesCPU is how many times the CPU a sample costs that the other's does.
func (m measured) timesCPU(other measured) float64 {
	return float64(m.perSample) / float64(other.perSample)
}

// loadHang is how long a device may take that isn't hung, on a busy machine.
const loadHang = 10 * time.Second

// measure runs a way of reading for a while, after a moment to get going, and until
// each brake has been read.
func measure(t *testing.T, read func(context.Context, func(int32, time.Time)), brakes int, d time.Duration) measured {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	times := make([][]time.Time, brakes)
	for i := range times {
		times[i] = make([]time.Time, 0, int(d/loadPeriod)+100)
	}
	begun, unread := time.Now().Add(200*time.Millisecond), brakes
	var spent time.Duration
	var end time.Time
	read(ctx, func(brake int32, at time.Time) {
		switch {
		case at.Before(begun):
			return
		case spent == 0:
			spent, begun = cpu(t), at
		}
		if ran := at.Sub(begun); ran >= d && unread == 0 || ran >= d+loadHang {
			if end.IsZero() {
				spent, end = cpu(t)-spent, at
				cancel()
			}
			return
		}
		if len(times[brake]) == 0 {
			unread--
		}
		times[brake] = append(times[brake], at)
	})
	cancel()
	m := measured{over: end.Sub(begun)}
	var late []time.Duration
	for _, brake := range times {
		m.samples += len(brake)
		var phases []time.Duration
		for _, at := range brake {
			phases = append(phases, at.Sub(begun)%loadPeriod)
		}
		if len(phases) == 0 {
			t.Fatal("a brake wasn't read at all")
		}
		late = append(late, sinceEarliest(phases)...)
	}
	slices.Sort(late)
	m.late = late[len(late)*99/100]
	m.perSample = spent / time.Duration(m.samples)
	m.period = m.over * time.Duration(brakes) / time.Duration(m.samples)
	return m
}

// sinceEarliest is how far each phase lies behind the start of the shortest arc
// of the period that holds 99 % of them: a few may be early after a late one.
func sinceEarliest(phases []time.Duration) []time.Duration {
	sorted := slices.Clone(phases)
	slices.Sort(sorted)
	n := len(sorted)
	hold := max(n*99/100, 1)
	start, shortest := sorted[0], loadPeriod
	for i := range n {
		last := sorted[(i+hold-1)%n]
		if arc := (last - sorted[i] + loadPeriod) % loadPeriod; arc < shortest {
			start, shortest = sorted[i], arc
		}
	}
	out := make([]time.Duration, n)
	for i, p := range phases {
		out[i] = (p - start + loadPeriod) % loadPeriod
	}
	return out
}

// cpu is what this process has taken of the processor.
func cpu(t *testing.T) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// rawLoop asks for each brake's register in turn, every period.
func rawLoop(ctx context.Context, t *testing.T, address string, brakes int, note func(int32, time.Time)) {
	h := goburrow.NewTCPClientHandler(address)
	h.SlaveId, h.Timeout = 1, loadHang
	if err := h.Connect(); err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	client := goburrow.NewClient(h)
	ticker := time.NewTicker(loadPeriod)
	defer ticker.Stop()
	for ctx.Err() == nil {
		<-ticker.C
		for i := range brakes {
			sent := time.Now()
			if _, err := client.ReadInputRegisters(loadRegister(i, 1), 1); err != nil {
				t.Fatal(err)
			}
			note(int32(i), sent.Add(time.Since(sent)/2))
		}
	}
}

// loadRegister is where a brake's travel is, in blocks that lie too far apart
// to be read together.
func loadRegister(brake, block int) uint16 { return uint16(brake/block*(block+100) + brake%block) }

// planned reads the brakes with a source.
func planned(ctx context.Context, t *testing.T, address string, brakes, block, inFlight int, note func(int32, time.Time)) {
	var channels []sensors.Channel
	for i := range brakes {
		channels = append(channels, input(int32(i), loadRegister(i, block), loadPeriod))
	}
	s, err := New("quay-io", sensors.Device{Modbus: "tcp://" + address, Unit: 1, Timeout: loadHang, InFlight: inFlight}, channels, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := (brakes + block - 1) / block; len(s.plan.Requests) != want {
		t.Fatalf("%d requests are planned, want %d", len(s.plan.Requests), want)
	}
	out := make(chan []sensors.Sample, 16)
	go func() {
		s.Run(ctx, out)
		close(out)
	}()
	now := time.Now() // samples are stamped in UTC; their times here are by the monotonic clock, as the raw loop's
	for batch := range out {
		for i := range batch {
			if batch[i].Quality != sensors.Good {
				t.Errorf("brake %d is %v", batch[i].Brake, batch[i].Quality)
			}
			note(batch[i].Brake, now.Add(time.Duration(batch[i].AtNS-now.UnixNano())))
		}
	}
}

// loadDevice starts this test's program again, as the device.
func loadDevice(t *testing.T) (address string) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run", "^TestLoadDevice$")
	cmd.Env = append(os.Environ(), "GAPWARD_LOAD_DEVICE=1")
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close() // it ends with its input
		if err := cmd.Wait(); err != nil {
			t.Errorf("the device: %v", err)
		}
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if where, ok := strings.CutPrefix(lines.Text(), "device at "); ok {
			go io.Copy(io.Discard, out)
			return where
		}
	}
	t.Fatal("the device ended before it was ready")
	return ""
}

// TestLoadDevice is the device of TestLoad, in a process of its own. By itself
// it looks whether the device answers.
func TestLoadDevice(t *testing.T) {
	address := serve(t, loadAnswers)
	if os.Getenv("GAPWARD_LOAD_DEVICE") == "1" {
		fmt.Println("device at " + address)
		io.Copy(io.Discard, os.Stdin)
		return
	}
	l := newTCPLink(address, 1)
	defer l.close()
	if r, err := readFrom(t.Context(), l, 1, InputRegisters, 5, 16, time.Second); err != nil || len(r.data) != 32 {
		t.Errorf("% x, %v", r.data, err)
	}
}

// loadAnswers answers reads with zeros, as fast as it can.
func loadAnswers(c net.Conn, _ int) {
	out := make([]byte, 0, maxFrame)
	for r := next(c); r != nil; r = next(c) {
		n := replyBytes(Table(r[7]-1), uint16(r[10])<<8|uint16(r[11]))
		out = append(out[:0], r[0], r[1], 0, 0, 0, byte(3+n), r[6], r[7], byte(n))
		c.Write(out[:9+n])
	}
}

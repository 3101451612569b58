package main

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// BenchmarkMemory measures what the daemon holds of the machine's memory with
// 64 and with 1000 brakes, beside an idle process with the same libraries. The
// brakes are simulated ones behind Modbus TCP, each with travel, drive and
// switch; the figure is taken once each has had a dozen cycles on the average.
// It reports resident megabytes, and how many kilobytes a brake there are above
// one and a half times the idle process.
//
//	go test -run '^$' -bench Memory -benchtime 1x ./cmd/gapward
func BenchmarkMemory(b *testing.B) {
	for _, brakes := range []int{64, 1000} {
		b.Run(strconv.Itoa(brakes), func(b *testing.B) {
			for b.Loop() {
				gapward, idle := filepath.Join(b.TempDir(), "gapward"), filepath.Join(b.TempDir(), "idle")
				for path, pkg := range map[string]string{gapward: ".", idle: "./testdata/idle"} {
					cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", path, pkg)
					cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
					if out, err := cmd.CombinedOutput(); err != nil {
						b.Fatalf("%v\n%s", err, out)
					}
				}
				floor := startFor(b, idle, b.TempDir())
				floor.find(b, regexp.MustCompile(`idle`))
				path := filepath.Join(b.TempDir(), "site.yaml")
				page := largeSite(b, path, brakes)
				startFor(b, gapward, "simulate", path).find(b, regexp.MustCompile(`(?i)ctrl-c|answer`))
				daemon := startFor(b, gapward, "run", "--config", path)
				cycles := 0.0
				for deadline := time.Now().Add(10 * time.Minute); cycles < 12*float64(brakes); time.Sleep(time.Second) {
					if time.Now().After(deadline) {
						b.Fatalf("only %.0f cycles in ten minutes\n%s", cycles, daemon.err)
					}
					cycles = cyclesTotal(page)
				}
				idleMB, idleOwn := resident(b, floor.cmd.Process.Pid)
				mb, own := resident(b, daemon.cmd.Process.Pid)
				b.Logf("%d brakes, %.0f cycles: %.1f MB resident, %.1f MB of them its own; idle %.1f MB, %.1f MB its own", brakes, cycles, mb, own, idleMB, idleOwn)
				b.ReportMetric(mb, "MB")
				b.ReportMetric(idleMB, "idle-MB")
				b.ReportMetric(mb/idleMB, "x-idle")
				b.ReportMetric((mb-1.5*idleMB)*1000/float64(brakes), "kB-above-1.5x/brake")
			}
		})
	}
}

// measured is a process of a benchmark.
type measured struct {
	cmd      *exec.Cmd
	out, err *screen
}

func startFor(b *testing.B, program string, args ...string) *measured {
	b.Helper()
	m := &measured{cmd: exec.Command(program, args...), out: &screen{}, err: &screen{}}
	m.cmd.Stdout, m.cmd.Stderr = m.out, m.err
	if err := m.cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = m.cmd.Process.Kill()
		_ = m.cmd.Wait()
	})
	return m
}

func (m *measured) find(b *testing.B, what *regexp.Regexp) {
	b.Helper()
	for deadline := time.Now().Add(time.Minute); !what.MatchString(m.out.String() + m.err.String()); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			b.Fatalf("it doesn't say %v:\n%s%s", what, m.out, m.err)
		}
	}
}

// largeSite writes a site file of so many brakes, sixteen behind each device,
// and returns the page's address.
func largeSite(b *testing.B, path string, brakes int) (page string) {
	b.Helper()
	var ports []string
	for range (brakes+127)/128 + 1 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		defer func() { _ = l.Close() }() // all are open at the same time, so all differ
		_, port, err := net.SplitHostPort(l.Addr().String())
		if err != nil {
			b.Fatal(err)
		}
		ports = append(ports, port)
	}
	page = "127.0.0.1:" + ports[0]
	var text strings.Builder
	fmt.Fprintf(&text, "site: Large Yard\ndata: %s\npage: {listen: %q}\ndevices:\n", filepath.Join(b.TempDir(), "data"), page)
	for i := range (brakes + 15) / 16 {
		fmt.Fprintf(&text, "  io-%d: {modbus: \"tcp://127.0.0.1:%s\", unit: %d, timeout: 2s}\n", i, ports[1+i/8], 1+i%8)
	}
	text.WriteString("brakes:\n")
	for i := range brakes {
		fmt.Fprintf(&text, "  - name: hall-%d/hoist\n    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}\n    model: QK-90\n    signals:\n", i)
		fmt.Fprintf(&text, "      travel: {device: io-%d, input: %d, raw: [0, 4095], mm: [0, 10], poll: 200ms}\n", i/16, i%16)
		fmt.Fprintf(&text, "      drive: {device: io-%d, discrete: %d, poll: 200ms}\n", i/16, 2*(i%16))
		fmt.Fprintf(&text, "      released: {device: io-%d, discrete: %d, poll: 200ms}\n", i/16, 2*(i%16)+1)
	}
	if err := os.WriteFile(path, []byte(text.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	return page
}

// cyclesTotal is how many cycles the daemon has counted, 0 while it doesn't
// answer.
func cyclesTotal(page string) (n float64) {
	resp, err := http.Get("http://" + page + "/metrics")
	if err != nil {
		return 0
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0
	}
	for _, m := range regexp.MustCompile(`(?m)^gapward_cycles_total\{.*\} (\S+)$`).FindAllStringSubmatch(string(text), -1) {
		v, _ := strconv.ParseFloat(m[1], 64)
		n += v
	}
	return n
}

// resident is a process's resident memory in megabytes, and the part of it that
// is not backed by a file.
func resident(b *testing.B, pid int) (all, own float64) {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	kB := func(name string) float64 {
		m := regexp.MustCompile(`(?m)^` + name + `:\s+(\d+) kB$`).FindStringSubmatch(string(text))
		if m == nil {
			b.Fatalf("the system doesn't tell %s", name)
		}
		v, _ := strconv.ParseFloat(m[1], 64)
		return v / 1000 * 1.024
	}
	return kB("VmRSS"), kB("RssAnon")
}

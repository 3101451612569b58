package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/simulator/field"
)

// freePort is a port of loopback that stays free.
func freePort(t *testing.T) int {
	t.Helper()
	address, err := net.ResolveTCPAddr("tcp", localAddress(t))
	if err != nil {
		t.Fatal(err)
	}
	return address.Port
}

const simulatedSite = `
site: Test Quay
data: %s
page: {listen: "127.0.0.1:0"}
devices:
  quay-io: {modbus: "tcp://127.0.0.1:%[2]d", unit: 1, timeout: 200ms}
  gantry-io: {modbus: "tcp://127.0.0.1:%[2]d", unit: 2, timeout: 200ms}
  trolley: {mqtt: "mqtt://%[3]s"}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: quay-io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 20ms, u_mm: 0.01}
      drive: {device: quay-io, discrete: 0}
      released: {device: quay-io, discrete: 1}
  - name: gantry-1/hoist
    kind: disc
    limits_mm: {min: 0.3, target: 0.45, adjust: 0.9, max: 1.2}
    signals:
      travel: {device: gantry-io, holding: 100, type: f32, words: cdab, poll: 20ms, u_mm: 0.005}
      drive: {device: gantry-io, coil: 16, invert: true, poll: 20ms}
  - name: trolley-3/hoist
    kind: disc
    limits_mm: {min: 0.3, target: 0.5, adjust: 1.0, max: 1.3}
    signals:
      travel: {device: trolley, topic: trolley-3/travel, poll: 20ms, u_mm: 0.005}
      drive: {device: trolley, topic: trolley-3/drive, poll: 20ms}
`

// One site file, two programs: what simulate shows, run measures.
func TestRunMeasuresWhatSimulateShows(t *testing.T) {
	t.Parallel()
	broker, err := field.StartBroker("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := broker.Close(); err != nil {
			t.Error(err)
		}
	})
	file := filepath.Join(t.TempDir(), "site.yaml")
	site := fmt.Sprintf(simulatedSite, filepath.Join(t.TempDir(), "data"), freePort(t), broker.Addr())
	if err := os.WriteFile(file, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	scenario := filepath.Join(t.TempDir(), "scenario.yaml")
	if err := os.WriteFile(scenario, []byte("events:\n  - {after: 1s, brake: gantry-1/hoist, fault: wire-break}\n"), 0o644); err != nil {
		t.Fatal(err)
	}

	devices := begin(t, "simulate", file, "--seed", "3")
	devices.out.find(t, 10*time.Second, `Standing in for 3 devices of Test Quay\. Everything it shows is invented`)
	daemon := begin(t, "run", "--config", file)
	url := daemon.err.find(t, 20*time.Second, `msg=running .*page=(http://[0-9.:]+)`)[1]

	// The simulated brakes begin half way from target to adjust.
	want := map[string]float64{"quay-2/main": 2.2, "gantry-1/hoist": 0.675, "trolley-3/hoist": 0.75}
	var last board
	eventually(t, 3*time.Minute, "two full cycles of each brake", func() bool {
		last = board{}
		getJSON(t, url+"/api/brakes", &last)
		for _, b := range last.Brakes {
			if b.Cycles.Full < 2 || b.Gap == nil {
				return false
			}
		}
		return len(last.Brakes) == len(want)
	})
	for _, b := range last.Brakes {
		if d := abs(*b.Gap - want[b.Name]); d > 0.03 || b.Release == nil || b.Set == nil || b.State != "in-limits" {
			t.Errorf("the simulated gap is %g mm: %+v", want[b.Name], b)
		}
	}
	if code, body := get(t, url+"/readyz"); code != http.StatusOK {
		t.Errorf("GET /readyz: %d %s", code, body)
	}
	if _, page := get(t, url+"/"); strings.Contains(page, "Demonstration") {
		t.Error("the page calls a real run a demonstration")
	}

	// The devices go away: the daemon tells of it and goes on, and measures
	// again when they are back, this time with a broken wire.
	if code := devices.stop(t); code != 0 {
		t.Errorf("simulate ended with %d", code)
	}
	eventually(t, 30*time.Second, "the daemon sees the devices gone", func() bool {
		code, body := get(t, url+"/readyz")
		return code == http.StatusServiceUnavailable && strings.Contains(body, "quay-io") && strings.Contains(body, "gantry-io")
	})
	devices = begin(t, "simulate", file, "--seed", "4", "--scenario", scenario)
	eventually(t, time.Minute, "the daemon sees the devices back", func() bool { code, _ := get(t, url+"/readyz"); return code == http.StatusOK })
	eventually(t, time.Minute, "the broken wire is told", func() bool {
		_, body := get(t, url+"/api/alarms?brake=gantry-1/hoist")
		return strings.Contains(body, `"signal-fault","state":"raised"`)
	})

	if code := daemon.stop(t); code != 0 {
		t.Errorf("run ended with %d", code)
	}
	if code := devices.stop(t); code != 0 {
		t.Errorf("simulate ended with %d", code)
	}
}

// What is typed while it runs happens at once and is answered.
func TestSimulateTakesCommands(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	site := fmt.Sprintf(simulatedSite, filepath.Join(t.TempDir(), "data"), freePort(t), "127.0.0.1:1")
	if err := os.WriteFile(file, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	in, typed := io.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	out, ended := &screen{}, make(chan int, 1)
	go func() { ended <- run(ctx, []string{"simulate", file}, streams{in: in, out: out, err: t.Output()}) }()
	if _, err := io.WriteString(typed, "not-freeing quay-2/main\noff not-freeing quay-9/main\n"); err != nil {
		t.Fatal(err)
	}
	out.find(t, 10*time.Second, `(?m)^[0-9:]{8} not-freeing quay-2/main: done$`)
	out.find(t, 10*time.Second, `(?m)^[0-9:]{8} off not-freeing quay-9/main: not done: .*no brake named "quay-9/main"$`)
	typed.Close() // nothing more to say is no reason to stop
	cancel()
	if code := <-ended; code != 0 {
		t.Errorf("it ended with %d", code)
	}
}

// Two simulators can't stand at one address, and a broker that isn't there is
// told.
func TestSimulateWithoutItsAddressesFails(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	file := filepath.Join(t.TempDir(), "site.yaml")
	site := fmt.Sprintf(simulatedSite, filepath.Join(t.TempDir(), "data"), l.Addr().(*net.TCPAddr).Port, "127.0.0.1:1")
	if err := os.WriteFile(file, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := invoke(t, "simulate", file); code != 1 || out != "" || !strings.Contains(errs, l.Addr().String()) || !strings.Contains(errs, "in use") {
		t.Errorf("exit code %d, %q, %q", code, out, errs)
	}
}

// Where nothing is wired there is nothing to stand in for.
func TestSimulateWithoutDevicesSaysSo(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	site := "site: Test Quay\nbrakes:\n  - name: hoist\n    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}\n    signals: {}\n"
	if err := os.WriteFile(file, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := invoke(t, "simulate", file); code != 2 || out != "" || !strings.Contains(errs, "there is nothing to stand in for") {
		t.Errorf("exit code %d, %q, %q", code, out, errs)
	}
}

package gateway_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/simulator"
	"gapward/simulator/field"
)

// The site of these tests; invented. Addresses are filled in.
const testSite = `
site: Test Quay
data: %s
page: {listen: "127.0.0.1:0"}
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1, timeout: 100ms}
  trolley: {mqtt: "mqtt://127.0.0.1:1883"}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 250ms, set: 300ms, not_released_after: 500ms, not_set_after: 500ms}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 10ms, u_mm: 0.01}
      drive: {device: io, discrete: 0}
      released: {device: io, discrete: 1}
  - name: trolley-3/hoist
    kind: disc
    limits_mm: {min: 0.3, target: 0.5, adjust: 1.0, max: 1.3}
    signals:
      travel: {device: trolley, topic: trolley-3/travel, poll: 20ms}
      drive: {device: trolley, topic: trolley-3/drive, poll: 20ms}
`

// stage is a simulated site on real protocols.
type stage struct {
	site  *configs.Site
	plant *simulator.Plant
}

func newStage(t *testing.T, dir string) stage { return stageOf(t, dir, testSite) }

// stageOf simulates a site; its addresses are replaced by free ones.
func stageOf(t *testing.T, dir, text string) stage {
	t.Helper()
	site, problems := configs.Parse("test.yaml", fmt.Appendf(nil, text, filepath.Join(dir, "data")), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	lg := logTo(t)
	broker, err := field.StartBroker("127.0.0.1:0", lg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := broker.Close(); err != nil {
			t.Error(err)
		}
	})
	duty := simulator.ContinuousDuty()
	duty.On = [2]time.Duration{700 * time.Millisecond, 1200 * time.Millisecond}
	duty.Idle = [2]time.Duration{600 * time.Millisecond, 900 * time.Millisecond}
	duty.JogShare, duty.JogOn = 0.15, [2]time.Duration{60 * time.Millisecond, 90 * time.Millisecond}
	duty.BurstLifts = 1000
	specs := simulator.SpecsFor(site.Channels(), duty, 5, func(name string) float64 {
		return map[string]float64{"quay-2/main": 2.0, "trolley-3/hoist": 0.7}[name]
	})
	plant, err := simulator.NewPlant(specs, time.Now(), 5)
	if err != nil {
		t.Fatal(err)
	}
	devices := map[string]sensors.Device{}
	for name, d := range site.Devices {
		if d.MQTT != "" {
			devices[name] = sensors.Device{MQTT: "mqtt://" + broker.Addr()}
		} else {
			devices[name] = sensors.Device{Modbus: "tcp://127.0.0.1:0", Unit: d.Unit}
		}
	}
	f, err := field.New(field.Config{Devices: devices, Channels: site.Channels(), Plant: plant, Log: lg})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	for name, d := range devices {
		if d.Modbus != "" {
			d.Modbus = "tcp://" + f.Addr(name)
			d.Timeout = 100 * time.Millisecond
		}
		site.Devices[name] = d
	}
	return stage{site: site, plant: plant}
}

func logTo(t *testing.T) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelInfo}))
}

// daemon runs gateway.Run until stop is called.
type daemon struct {
	addr string
	stop func() error
}

func startDaemon(t *testing.T, s stage, record string) daemon {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	addr, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- gateway.Run(ctx, s.site, gateway.Options{Record: record, Version: "test", Log: logTo(t), Started: func(a string) { addr <- a }})
	}()
	select {
	case a := <-addr:
		return daemon{addr: a, stop: func() error { cancel(); return <-ended }}
	case err := <-ended:
		t.Fatalf("the daemon ended at once: %v", err)
	case <-time.After(20 * time.Second):
		t.Fatal("the daemon did not start")
	}
	return daemon{}
}

// storedLines are the lines that the stored rows would make, by type.
func storedLines(t *testing.T, dir string) map[string][]string {
	t.Helper()
	ctx := context.Background()
	db, err := store.OpenReadOnly(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var b store.Batch
	if b.Cycles, err = db.CyclesAfter(ctx, 0, 1e6); err != nil {
		t.Fatal(err)
	}
	if b.Alarms, err = db.AlarmsAfter(ctx, 0, 1e6); err != nil {
		t.Fatal(err)
	}
	if b.Forecasts, err = db.ForecastsAfter(ctx, 0, 1e6); err != nil {
		t.Fatal(err)
	}
	return byType(t, gateway.AppendLines(nil, &b))
}

// byType sorts lines by what they are of, as a store keeps them: of two
// forecasts of one brake, limit and time the later one, at its place, or where
// they say the same the earlier.
func byType(t *testing.T, lines []byte) map[string][]string {
	t.Helper()
	m, told := map[string][]string{}, map[string]string{}
	for line := range strings.Lines(string(lines)) {
		var head struct {
			Type, Brake, Time string
			Limit             any // a figure of an alarm, a name of a forecast
		}
		if err := json.Unmarshal([]byte(line), &head); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		if head.Type == "forecast" {
			of := fmt.Sprint(head.Brake, " ", head.Limit, " ", head.Time)
			before := told[of]
			if before == line {
				continue
			}
			told[of] = line
			m[head.Type] = slices.DeleteFunc(m[head.Type], func(l string) bool { return l == before })
		}
		m[head.Type] = append(m[head.Type], line)
	}
	return m
}

// A live run over Modbus TCP and MQTT, recorded; the recording replayed gives
// the very bytes that were stored.
func TestReplayEqualsLive(t *testing.T) {
	dir := t.TempDir()
	s := newStage(t, dir)
	record := filepath.Join(dir, "record")
	d := startDaemon(t, s, record)

	// Something must go wrong as well, so that alarms are compared. It has to be
	// seen setting and releasing before a failure means anything.
	stored := func(kind string) int { return len(storedLines(t, s.site.Data)[kind]) }
	eventually(t, "three cycles", func() bool { return stored("cycle") >= 3 })
	var applied time.Time
	eventually(t, "an alarm come and gone", func() bool {
		if time.Since(applied) > 8*time.Second { // again: a busy machine may have missed it
			applied = time.Now()
			if err := s.plant.Apply(simulator.Event{Brake: "quay-2/main", Fault: simulator.NotFreeing, Lasts: 4 * time.Second}); err != nil {
				t.Fatal(err)
			}
		}
		return stored("alarm") >= 2
	})
	cycles := stored("cycle")
	eventually(t, "more cycles", func() bool { return stored("cycle") >= cycles+3 })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}

	files, err := filepath.Glob(filepath.Join(record, "samples-*.csv"))
	if err != nil || len(files) != 1 {
		t.Fatalf("recorded into %v (%v), want one file", files, err)
	}
	var out bytes.Buffer
	if err := gateway.Replay(context.Background(), s.site, gateway.Recording{Samples: files}, &out, nil); err != nil {
		t.Fatal(err)
	}
	live, replayed := storedLines(t, s.site.Data), byType(t, out.Bytes())
	for _, kind := range []string{"cycle", "alarm", "forecast"} {
		if len(live[kind]) == 0 {
			t.Errorf("the live run stored no %s", kind)
		}
		for i := range max(len(live[kind]), len(replayed[kind])) {
			var a, b string
			if i < len(live[kind]) {
				a = live[kind][i]
			}
			if i < len(replayed[kind]) {
				b = replayed[kind][i]
			}
			if a != b {
				t.Fatalf("%s %d\n    live %s\n  replay %s", kind, i, a, b)
			}
		}
	}
	t.Logf("%d cycles, %d changes of alarms, %d forecasts", len(live["cycle"]), len(live["alarm"]), len(live["forecast"]))
}

func TestDaemonServesAndRecallsAfterARestart(t *testing.T) {
	s := newStage(t, t.TempDir())
	d := startDaemon(t, s, "")
	get := func(path string) (int, string) {
		resp, err := http.Get("http://" + d.addr + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	metric := func(line string) bool {
		_, body := get("/metrics")
		return strings.Contains(body, line)
	}
	eventually(t, "both devices answer", func() bool { code, _ := get("/readyz"); return code == 200 })
	eventually(t, "a gap of each brake", func() bool {
		return metric(`gapward_gap_meters{brake="quay-2/main"} 0.00`) && metric(`gapward_gap_meters{brake="trolley-3/hoist"} 0.000`)
	})
	for path, want := range map[string]string{"/": "quay-2/main", "/brake/quay-2/main": "quay-2/main", "/api/brakes": `"trolley-3/hoist"`, "/healthz": "alive"} {
		if code, body := get(path); code != 200 || !strings.Contains(body, want) {
			t.Errorf("GET %s: %d, and %q is not in it", path, code, want)
		}
	}
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	before := len(storedLines(t, s.site.Data)["cycle"])

	d = startDaemon(t, s, "")
	if code, body := get("/api/brakes"); code != 200 || !strings.Contains(body, `"gap_mm":`) {
		t.Errorf("after a restart the gap is gone: %d %s", code, body)
	}
	eventually(t, "cycles go on", func() bool { return len(storedLines(t, s.site.Data)["cycle"]) > before+2 })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
}

func TestPortInUseIsToldBeforeAnythingElse(t *testing.T) {
	s := newStage(t, t.TempDir())
	d := startDaemon(t, s, "")
	s.site.Page.Listen, s.site.Data = d.addr, filepath.Join(t.TempDir(), "other")
	err := gateway.Run(context.Background(), s.site, gateway.Options{Log: logTo(t)})
	if err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("a second daemon on one port: %v", err)
	}
	if _, e := os.Stat(s.site.Data); e == nil {
		t.Error("it made a data directory all the same")
	}
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(90 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("not within 90 s: %s", what)
}

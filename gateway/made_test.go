package gateway_test

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/gateway"
	"gapward/simulator"
)

// A site whose devices make times themselves; invented.
const madeSite = `
site: Test Quay
data: %s
page: {listen: "127.0.0.1:0"}
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1, timeout: 200ms}
  pit: {modbus: "tcp://127.0.0.1:1502", unit: 2, timeout: 200ms}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 20ms}
      drive: {device: io, discrete: 0, stamp: {input: 20, clock: 22, step: 1ms}}
      release_ms: {device: io, input: 30, counter: 31, step: 500us, u_ms: 2}
      set_ms: {device: io, input: 32, type: u32, words: cdab, counter: 34, u_ms: 2}
  - name: pit-1/hoist
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      drive: {device: pit, coil: 16, invert: true, poll: 50ms, stamp: {holding: 110, clock: 118, type: u32, words: cdab, step: 100us}}
      released: {device: pit, holding: 90, poll: 50ms, stamp: {holding: 112, clock: 118, type: u32, words: cdab, step: 100us}}
`

// Times that devices make come through simulated devices, daemon and store as
// they were made, and the recording replayed gives the very bytes that were
// stored.
func TestTimesThatDevicesMake(t *testing.T) {
	dir := t.TempDir()
	s := stageOf(t, dir, madeSite)
	var mu sync.Mutex
	truths := map[int32][]simulator.Truth{}
	s.plant.OnCycle(func(tr simulator.Truth) {
		mu.Lock()
		defer mu.Unlock()
		truths[tr.Brake] = append(truths[tr.Brake], tr)
	})
	record := filepath.Join(dir, "record")
	d := startDaemon(t, s, record)
	type cycle struct {
		Brake    string
		Time     time.Time
		Release  *float64 `json:"release_ms"`
		ReleaseU *float64 `json:"release_u_ms"`
		Set      *float64 `json:"set_ms"`
		SetU     *float64 `json:"set_u_ms"`
		truth    simulator.Truth
	}
	// Those with times, and what is true of them.
	measured := func() map[string][]cycle {
		list := map[string][]cycle{}
		for _, line := range storedLines(t, s.site.Data)["cycle"] {
			var c cycle
			if err := json.Unmarshal([]byte(line), &c); err != nil {
				t.Fatal(err)
			}
			mu.Lock()
			for _, tr := range truths[int32(s.site.BrakeIndex(c.Brake))] {
				if off := c.Time.UnixNano() - tr.OnNS; off > -2e8 && off < 2e8 {
					c.truth = tr
				}
			}
			mu.Unlock()
			if c.Release != nil && c.Set != nil && c.truth.OnNS != 0 {
				list[c.Brake] = append(list[c.Brake], c)
			}
		}
		return list
	}
	// A busy machine may have changes told too late to have their own time.
	sure := func(list []cycle) (sure []cycle) {
		for _, c := range list {
			if *c.ReleaseU < 1 && *c.SetU < 1 {
				sure = append(sure, c)
			}
		}
		return sure
	}
	eventually(t, "cycles", func() bool {
		m := measured()
		return len(m["quay-2/main"]) >= 6 && len(sure(m["pit-1/hoist"])) >= 6
	})
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	m := measured()
	for _, c := range m["quay-2/main"] {
		// Counts of half a millisecond and of one, and what their maker states.
		if off := *c.Release - c.truth.ReleaseS*1e3; math.Abs(off) > 0.251 || math.Abs(*c.ReleaseU-math.Sqrt(4+0.25/12)) > 1e-3 {
			t.Errorf("a release of %.2f ms is told as %.2f, u %.3f", c.truth.ReleaseS*1e3, *c.Release, *c.ReleaseU)
		}
		if off := *c.Set - c.truth.SetS*1e3; math.Abs(off) > 0.501 || math.Abs(*c.SetU-math.Sqrt(4+1.0/12)) > 1e-3 {
			t.Errorf("a setting of %.2f ms is told as %.2f, u %.3f", c.truth.SetS*1e3, *c.Set, *c.SetU)
		}
	}
	for _, c := range sure(m["pit-1/hoist"]) {
		// Polled every 50 ms, stamped in steps of 0.1 ms: u is that of the difference
		// of two counts, 0.1/√6 ms.
		if want := 0.1 / math.Sqrt(6); math.Abs(*c.ReleaseU-want) > 1e-3 || math.Abs(*c.SetU-want) > 1e-3 {
			t.Errorf("u is %.4f and %.4f ms, want %.4f", *c.ReleaseU, *c.SetU, want)
		}
		if on := time.Duration(c.Time.UnixNano() - c.truth.OnNS); on.Abs() > 20*time.Millisecond { // half of a busy machine's quickest answer
			t.Errorf("the drive came on %v off", on)
		}
	}
	var out bytes.Buffer
	if err := gateway.Replay(context.Background(), s.site, gateway.Recording{Samples: []string{record}}, &out, nil); err != nil {
		t.Fatal(err)
	}
	live, replayed := storedLines(t, s.site.Data), byType(t, out.Bytes())
	for _, kind := range []string{"cycle", "alarm", "forecast"} {
		if a, b := strings.Join(live[kind], ""), strings.Join(replayed[kind], ""); a != b {
			t.Errorf("%ss differ: stored\n%s\nreplayed\n%s", kind, a, b)
		}
	}
	t.Logf("%d and %d cycles", len(m["quay-2/main"]), len(m["pit-1/hoist"]))
}

package main

import (
	"encoding/json"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// board is what these tests look at in the page's list of brakes.
type board struct {
	Site, Demo string
	Brakes     []struct {
		Name      string
		State     string
		Gap       *float64 `json:"gap_mm"`
		GapU      float64  `json:"gap_u_mm"`
		Release   *float64 `json:"release_ms"`
		Set       *float64 `json:"set_ms"`
		Cycles    struct{ Full, Jogs int64 }
		Forecasts []struct{ Time time.Time }
		Alarms    []json.RawMessage
	}
}

func get(t *testing.T, url string) (code int, body string) {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

func getJSON(t *testing.T, url string, into any) {
	t.Helper()
	code, body := get(t, url)
	if code != http.StatusOK {
		t.Fatalf("GET %s: %d %s", url, code, body)
	}
	if err := json.Unmarshal([]byte(body), into); err != nil {
		t.Fatalf("GET %s: %v in %s", url, err, body)
	}
}

// What somebody sees who has just typed `gapward demo`: months of history at
// once, and within two minutes cycles, a gap that moves, a forecast that
// changes and an alarm.
func TestDemoShowsTheWholeJob(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	d := begin(t, "demo", "--listen", "127.0.0.1:0", "--data", data)
	// The promise is 20 s for the program as it is released; a race detector
	// and other tests at the same time take their share here.
	took := d.out.find(t, 4*time.Minute, `Ready after ([0-9.]+) s`)[1]
	url := d.out.find(t, time.Second, `The page +(http://127\.0\.0\.1:\d+)/\n`)[1]
	d.out.find(t, time.Second, `Stop with Ctrl-C`)
	ready := time.Now()
	t.Logf("ready after %s s", took)
	if s, err := strconv.ParseFloat(took, 64); err != nil || s <= 0 {
		t.Errorf("it was ready after %q s", took)
	}
	if !strings.HasPrefix(d.out.String(), "Demonstration: simulated hoists, invented data.\n") || d.err.String() != "" {
		t.Errorf("it begins with %q, and on standard error %q", d.out, d.err)
	}

	var first board
	getJSON(t, url+"/api/brakes", &first)
	if len(first.Brakes) != 4 || first.Site != "Kestrel Quay" || !strings.Contains(first.Demo, "invented data") {
		t.Fatalf("the board at the beginning: %+v", first)
	}
	for _, b := range first.Brakes {
		if b.Gap == nil || b.Release == nil || b.Set == nil || b.Cycles.Full < 200 || len(b.Forecasts) == 0 || b.State == "unknown" {
			t.Errorf("a brake after months of history: %+v", b)
		}
	}
	if len(first.Brakes[0].Alarms) == 0 {
		t.Errorf("no brake wants attention: %+v", first.Brakes[0])
	}
	for _, path := range []string{"/", "/brake/quay-2/main"} {
		if code, page := get(t, url+path); code != http.StatusOK || !strings.Contains(page, "invented data") || !strings.Contains(page, "quay-2/main") {
			t.Errorf("GET %s: %d, or it doesn't say that all is invented", path, code)
		}
	}
	eventually(t, time.Minute, "all devices answer", func() bool { code, _ := get(t, url+"/readyz"); return code == http.StatusOK })
	if code, _ := get(t, url+"/healthz"); code != http.StatusOK {
		t.Errorf("GET /healthz: %d", code)
	}
	_, metrics := get(t, url+"/metrics")
	for _, series := range []string{`gapward_gap_meters{brake="quay-2/main"} 0.00`, `gapward_forecast_timestamp_seconds{brake="gantry-1/hoist",limit="adjust",quantile="0.5"}`,
		`gapward_cycles_total{brake="trolley-3/hoist",kind="full"}`, `gapward_poll_seconds_count{device="quay-io"}`, `gapward_export_backlog{exporter="mqtt"}`} {
		if !strings.Contains(metrics, "\n"+series) {
			t.Errorf("no series %s in the metrics", series)
		}
	}

	// … and it goes on live.
	waiting := map[string]bool{"an alarm": true, "a gap that moves": true, "a forecast that changes": true}
	for _, b := range first.Brakes {
		waiting["cycles of "+b.Name] = true
	}
	for deadline := ready.Add(150 * time.Second); len(waiting) > 0 && time.Now().Before(deadline); time.Sleep(time.Second) {
		var now board
		getJSON(t, url+"/api/brakes", &now)
		for _, b := range now.Brakes {
			for _, was := range first.Brakes {
				if was.Name != b.Name {
					continue
				}
				if b.Cycles.Full >= was.Cycles.Full+3 {
					delete(waiting, "cycles of "+b.Name)
				}
				if b.Gap != nil && was.Gap != nil && abs(*b.Gap-*was.Gap) > 0.005 {
					delete(waiting, "a gap that moves")
				}
			}
			for _, f := range b.Forecasts {
				if f.Time.After(ready) {
					delete(waiting, "a forecast that changes")
				}
			}
		}
		var alarms struct{ History []struct{ Time time.Time } }
		getJSON(t, url+"/api/alarms", &alarms)
		for _, a := range alarms.History {
			if a.Time.After(ready) {
				delete(waiting, "an alarm")
			}
		}
	}
	for what := range waiting {
		t.Errorf("not within two minutes: %s", what)
	}
	t.Logf("all has been seen %.0f s after it was ready", time.Since(ready).Seconds())

	if code := d.stop(t); code != 0 {
		t.Errorf("interrupted, it ended with %d", code)
	}
	if d.err.String() != "" {
		t.Errorf("on standard error: %s", d.err)
	}
	if _, err := net.DialTimeout("tcp", strings.TrimPrefix(url, "http://"), time.Second); err == nil {
		t.Error("the page is still served")
	}
	// The data that --data asked for stay.
	if files, err := os.ReadDir(data); err != nil || len(files) == 0 {
		t.Errorf("the data: %v %v", files, err)
	}
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

// An address in use is told at once, before seconds of work, and with the way
// out.
func TestPortInUseIsToldAtOnce(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	busy := l.Addr().String()
	site := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: Test Quay\ndata: " + filepath.Join(t.TempDir(), "data") + "\npage: {listen: \"" + busy + "\"}\n" + `
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 20ms}
`
	if err := os.WriteFile(site, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		say  string
	}{
		{[]string{"demo", "--listen", busy}, "name another address with --listen"},
		{[]string{"run", "--config", site}, "is another gapward running"},
	} {
		began := time.Now()
		code, out, errs := invoke(t, c.args...)
		if code != 1 || out != "" || !strings.Contains(errs, busy) || !strings.Contains(errs, c.say) {
			t.Errorf("%v: exit code %d, %q, %q", c.args, code, out, errs)
		}
		if took := time.Since(began); took > 10*time.Second { // before a history is made, which takes longer
			t.Errorf("%v: it took %v to say so", c.args, took)
		}
	}
}

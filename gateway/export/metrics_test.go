package export

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
	"gapward/sensors"
)

func siteBrakes() []BrakeInfo {
	return []BrakeInfo{
		{Name: mainBrake, Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}, Signals: []sensors.Signal{sensors.Travel, sensors.Drive}},
		{Name: creepBrake, Limits: analysis.Limits{MinMM: 0.8, TargetMM: 1.0, AdjustMM: 1.8, MaxMM: 2.2}, Signals: []sensors.Signal{sensors.Travel}},
	}
}

// fullMetrics has something of every series.
func fullMetrics(t *testing.T) (*Metrics, *store.DB) {
	t.Helper()
	db := openStore(t)
	b := batch(0, 8)
	b.Alarms = append(b.Alarms, alarmAt(creepBrake, analysis.NotSet, 9, alerts.Unacknowledged), alarmAt("", analysis.GatewayFault, 9, alerts.Normal))
	b.Verdicts[1].GapMM = analysis.NoValue()
	commit(t, db, b)
	m := NewMetrics(siteBrakes(), "1.2.3")
	if err := m.Restore(t.Context(), db); err != nil {
		t.Fatal(err)
	}
	m.SetSignal(mainBrake, sensors.Travel, true)
	m.ObservePoll("quay-io", 3*time.Millisecond, false)
	m.ObservePoll("quay-io", 100*time.Millisecond, true)
	m.SetProgress(Progress{Exporter: "influx", Backlog: 42, Delivered: 7, SetAside: 1, Err: errors.New("away")})
	m.SetBacklog("mqtt", 3)
	return m, db
}

func scrape(t *testing.T, m *Metrics) string {
	t.Helper()
	rec := httptest.NewRecorder()
	m.Handler(testLog(t)).ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
	if rec.Code != http.StatusOK {
		t.Fatalf("a scrape answers %d: %s", rec.Code, rec.Body)
	}
	return rec.Body.String()
}

// own are gapward's lines of an exposition that are no comments.
func own(exposition string) []string {
	var lines []string
	for line := range strings.Lines(exposition) {
		if strings.HasPrefix(line, "gapward_") && !strings.HasPrefix(line, "gapward_poll_seconds") && !strings.HasPrefix(line, "gapward_build_info") &&
			!strings.Contains(line, "} 0\n") {
			lines = append(lines, strings.TrimSuffix(line, "\n"))
		}
	}
	return lines
}

// TestExposition checks every series that isn't 0, names, labels and values.
func TestExposition(t *testing.T) {
	m, db := fullMetrics(t)
	text := scrape(t, m)
	want := []string{
		`gapward_alarm_active{brake="quay-2/creep",condition="not-set"} 1`,
		`gapward_cycles_total{brake="quay-2/creep",kind="full"} 2`,
		`gapward_cycles_total{brake="quay-2/creep",kind="jog"} 2`,
		`gapward_cycles_total{brake="quay-2/main",kind="full"} 4`,
		`gapward_export_backlog{exporter="influx"} 42`,
		`gapward_export_backlog{exporter="mqtt"} 3`,
		`gapward_export_delivered_total{exporter="influx"} 7`,
		`gapward_export_failing{exporter="influx"} 1`,
		`gapward_export_set_aside_total{exporter="influx"} 1`,
		`gapward_forecast_timestamp_seconds{brake="quay-2/main",limit="adjust",quantile="0.05"} 1.8e+09`,
		`gapward_forecast_timestamp_seconds{brake="quay-2/main",limit="adjust",quantile="0.5"} 1.9e+09`,
		`gapward_forecast_timestamp_seconds{brake="quay-2/main",limit="max",quantile="0.05"} 1.8e+09`,
		`gapward_forecast_timestamp_seconds{brake="quay-2/main",limit="max",quantile="0.5"} 1.9e+09`,
		`gapward_gap_limit_meters{brake="quay-2/creep",limit="adjust"} 0.0018`,
		`gapward_gap_limit_meters{brake="quay-2/creep",limit="max"} 0.0022`,
		`gapward_gap_limit_meters{brake="quay-2/creep",limit="min"} 0.0008`,
		`gapward_gap_limit_meters{brake="quay-2/creep",limit="target"} 0.001`,
		`gapward_gap_limit_meters{brake="quay-2/main",limit="adjust"} 0.0028`,
		`gapward_gap_limit_meters{brake="quay-2/main",limit="max"} 0.0034`,
		`gapward_gap_limit_meters{brake="quay-2/main",limit="min"} 0.0012`,
		`gapward_gap_limit_meters{brake="quay-2/main",limit="target"} 0.0016`,
		`gapward_gap_meters{brake="quay-2/main"} 0.0017`,
		`gapward_gap_uncertainty_meters{brake="quay-2/creep"} 2e-05`,
		`gapward_gap_uncertainty_meters{brake="quay-2/main"} 2e-05`,
		fmt.Sprintf(`gapward_last_cycle_timestamp_seconds{brake="quay-2/creep"} %v`, float64(startNS)/1e9+7),
		fmt.Sprintf(`gapward_last_cycle_timestamp_seconds{brake="quay-2/main"} %v`, float64(startNS)/1e9+6),
		`gapward_poll_failures_total{device="quay-io"} 1`,
		`gapward_release_seconds{brake="quay-2/creep"} 0.21`,
		`gapward_release_seconds{brake="quay-2/main"} 0.21`,
		`gapward_signal_good{brake="quay-2/main",signal="travel"} 1`,
		`gapward_wear_meters_per_cycle{brake="quay-2/main"} 1.25e-08`,
	}
	if got := own(text); !slices.Equal(got, want) {
		t.Errorf("exposed:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, line := range []string{
		`gapward_alarm_active{brake="",condition="gateway-fault"} 0`,
		`gapward_alarm_active{brake="quay-2/creep",condition="duty-high"} 0`,
		`gapward_signal_good{brake="quay-2/main",signal="drive"} 0`,
		`gapward_poll_seconds_bucket{device="quay-io",le="0.005"} 1`,
		`gapward_poll_seconds_count{device="quay-io"} 2`,
		`gapward_build_info{goversion="go1.`,
		`version="1.2.3"} 1`,
	} {
		if !strings.Contains(text, line) {
			t.Errorf("%s is not exposed", line)
		}
	}

	// What comes after the restart is counted on, and what was counted is not
	// counted again.
	again := batch(8, 4)
	commit(t, db, again)
	again.Cycles = append(again.Cycles, again.Cycles[0])
	m.Update(again)
	m.Update(&store.Batch{Cycles: []store.CycleRow{{ID: 1000, Brake: "gone/main"}}})
	if text := scrape(t, m); !strings.Contains(text, `gapward_cycles_total{brake="quay-2/main",kind="full"} 6`) || strings.Contains(text, "gone/main") {
		t.Errorf("after more cycles:\n%s", strings.Join(own(text), "\n"))
	}
}

// quantileLabel is the one thing that the linter says of gapward's series:
// the label's name is promised to the outside.
func quantileLabel(p promlint.Problem) bool {
	return p.Metric == "gapward_forecast_timestamp_seconds" && p.Text == `non-summary metrics should not have "quantile" label`
}

func TestLint(t *testing.T) {
	m, _ := fullMetrics(t)
	text := scrape(t, m)
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		if strings.HasPrefix(p.Metric, "gapward_") && !quantileLabel(p) {
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
	}
	if n := strings.Count(text, "\ngapward_alarm_active{"); n != 2*(len(analysis.Conditions())-1)+3 {
		t.Errorf("%d alarm series", n)
	}
}

// The time of the latest cycle is that of the one stored last, also where the
// clock was ahead before.
func TestLatestCycleIsTheOneStoredLast(t *testing.T) {
	m, db := fullMetrics(t)
	for i, at := range []int64{startNS + 365*86400e9, startNS + 600e9} {
		c := cycleAt(mainBrake, 0)
		c.AtNS = at
		b := &store.Batch{Cycles: []store.CycleRow{c}, Verdicts: []store.VerdictRow{verdictOf(mainBrake, 100+i)}}
		b.Verdicts[0].AtNS = at
		commit(t, db, b)
		m.Update(b)
	}
	again := NewMetrics(siteBrakes(), "test")
	if err := again.Restore(t.Context(), db); err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("gapward_last_cycle_timestamp_seconds{brake=%q} %v\n", mainBrake, float64(startNS+600e9)/1e9)
	for when, m := range map[string]*Metrics{"as it comes": m, "restored": again} {
		if text := scrape(t, m); !strings.Contains(text, want) {
			t.Errorf("%s: there is no %s in %s", when, want, text)
		}
	}
}

func TestOddNamesDoNotBreakTheScrape(t *testing.T) {
	m := NewMetrics([]BrakeInfo{{Name: "bad\xff name"}, {Name: "twice"}, {Name: "twice"}, {Name: `quote " and \`}}, "1")
	m.SetSignal("unknown", sensors.Travel, true)
	if text := scrape(t, m); !strings.Contains(text, "bad\uFFFD name") || !strings.Contains(text, `brake="twice"`) {
		t.Error("series are missing")
	}
}

// Each device has a series of its own, from its first poll on.
func TestSilentDevices(t *testing.T) {
	m := NewMetrics(siteBrakes(), "1")
	m.Polled("quay-io", sensors.Poll{Took: time.Millisecond})
	m.Polled("pit-io", sensors.Poll{Took: time.Millisecond})
	back := silentAt("pit-io", 2)
	back.State, back.Change = alerts.Normal, alerts.Cleared
	m.Update(&store.Batch{Alarms: []store.AlarmRow{silentAt("quay-io", 1), silentAt("pit-io", 1), back}})
	for _, line := range []string{`gapward_device_silent{device="quay-io"} 1`, `gapward_device_silent{device="pit-io"} 0`, `gapward_alarm_active{brake="",condition="alarm-flood"} 0`} {
		if text := scrape(t, m); !strings.Contains(text, line+"\n") {
			t.Errorf("there is no line %s in\n%s", line, strings.Join(own(text), "\n"))
		}
	}
}

// TestScrapesWhileUpdating is for the race detector.
func TestScrapesWhileUpdating(t *testing.T) {
	m, _ := fullMetrics(t)
	var all sync.WaitGroup
	for range 3 {
		all.Go(func() {
			for i := range 50 {
				m.Update(batch(i, 3))
				m.SetSignal(mainBrake, sensors.Drive, i%2 == 0)
				m.Polled("pit-io", sensors.Poll{Took: time.Millisecond})
				m.SetBacklog("mqtt", int64(i))
			}
		})
		all.Go(func() {
			for range 20 {
				scrape(t, m)
			}
		})
	}
	all.Wait()
}

func TestPromtool(t *testing.T) {
	promtool := exporttest.Program(t, "promtool")
	m, _ := fullMetrics(t)
	text := scrape(t, m)
	if len(own(text)) < 20 {
		t.Fatal("there is little to check, and promtool is content with nothing")
	}
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.CombinedOutput()
	var other []string
	for line := range strings.Lines(string(out)) {
		if !strings.HasPrefix(line, "gapward_forecast_timestamp_seconds non-summary metrics should not have \"quantile\" label") {
			other = append(other, line)
		}
	}
	exit, lint := errors.AsType[*exec.ExitError](err)
	if len(other) > 0 || err != nil && (!lint || exit.ExitCode() != 3) {
		t.Errorf("promtool: %v\n%s", err, strings.Join(other, ""))
	}
}

// freePort finds a port that nothing listens on.
func freePort(t *testing.T) string {
	t.Helper()
	srv := httptest.NewServer(nil)
	defer srv.Close()
	return strings.TrimPrefix(srv.URL, "http://127.0.0.1:")
}

// start runs a program until the test ends.
func start(t *testing.T, path string, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(context.Background(), path, args...)
	cmd.Stdout, cmd.Stderr = t.Output(), t.Output()
	cmd.Dir = t.TempDir()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	return cmd
}

// TestRealPrometheus has Prometheus scrape the handler, and asks it for the
// values.
func TestRealPrometheus(t *testing.T) {
	prom := exporttest.Program(t, "prometheus")
	m, db := fullMetrics(t)
	srv := httptest.NewServer(m.Handler(testLog(t)))
	defer srv.Close()
	port := freePort(t)
	config := filepath.Join(t.TempDir(), "prometheus.yml")
	text := fmt.Sprintf("scrape_configs:\n- job_name: gapward\n  scrape_interval: 2s\n  metrics_path: /\n  static_configs: [{targets: [%q]}]\n", strings.TrimPrefix(srv.URL, "http://"))
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	start(t, prom, "--config.file="+config, "--storage.tsdb.path="+t.TempDir(), "--web.listen-address=127.0.0.1:"+port, "--log.level=warn")

	once := func(query string) (string, error) {
		resp, err := http.Get("http://127.0.0.1:" + port + "/api/v1/query?query=" + url.QueryEscape(query))
		if err != nil {
			return "", err
		}
		defer func() { _ = resp.Body.Close() }()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			return "", err
		}
		var answer struct {
			Data struct {
				Result []struct {
					Value [2]any `json:"value"`
				} `json:"result"`
			} `json:"data"`
		}
		if err := json.Unmarshal(bytes.TrimSpace(body), &answer); err != nil || len(answer.Data.Result) != 1 {
			return "", fmt.Errorf("answer %s (%v)", body, err)
		}
		return fmt.Sprint(answer.Data.Result[0].Value[1]), nil
	}
	// A scrape that takes too long on a busy machine makes all series stale
	// until the next.
	ask := func(query string) (got string, err error) {
		for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(100 * time.Millisecond) {
			if got, err = once(query); err == nil {
				break
			}
		}
		return got, err
	}
	eventually(t, "Prometheus scrapes", func() bool { got, err := ask("up"); return err == nil && got == "1" })
	for query, want := range map[string]string{
		`gapward_gap_meters{brake="quay-2/main"}`:                                         "0.0017",
		`gapward_gap_meters < on(brake) gapward_gap_limit_meters{limit="adjust"}`:         "0.0017",
		`gapward_forecast_timestamp_seconds{limit="adjust",quantile="0.5"}`:               "1900000000",
		`gapward_alarm_active{condition="gateway-fault"}`:                                 "0",
		`count(gapward_alarm_active == 1)`:                                                "1",
		`gapward_cycles_total{kind="jog",brake="quay-2/creep"}`:                           "2",
		`histogram_quantile(0.5, sum by (le) (gapward_poll_seconds_bucket)) < bool 0.006`: "1",
	} {
		if got, err := ask(query); err != nil || got != want {
			t.Errorf("%s is %s (%v), want %s", query, got, err, want)
		}
	}

	// Every figure of every brake, against the store.
	compared := 0
	same := func(query string, want float64) {
		t.Helper()
		if math.IsNaN(want) || math.IsInf(want, 0) {
			if got, err := once(query); err == nil {
				t.Errorf("%s is %s, and the store has no such figure", query, got)
			}
			return
		}
		got, err := ask(query)
		if v, _ := strconv.ParseFloat(got, 64); err != nil || v != want {
			t.Errorf("%s is %s (%v), want %v", query, got, err, want)
		}
		compared++
	}
	ctx := t.Context()
	verdicts, err := db.Verdicts(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range verdicts {
		of := fmt.Sprintf("{brake=%q}", v.Brake)
		same("gapward_gap_meters"+of, v.GapMM/1000)
		same("gapward_gap_uncertainty_meters"+of, v.GapUMM/1000)
		same("gapward_release_seconds"+of, v.ReleaseS)
		same("gapward_set_seconds"+of, v.SetS)
		full, jogs, err := db.Counts(ctx, v.Brake, 0)
		if err != nil {
			t.Fatal(err)
		}
		same(fmt.Sprintf("gapward_cycles_total{brake=%q,kind=\"full\"}", v.Brake), float64(full))
		same(fmt.Sprintf("gapward_cycles_total{brake=%q,kind=\"jog\"}", v.Brake), float64(jogs))
		last, err := db.Cycles(ctx, v.Brake, 0, math.MaxInt64, 1)
		if err != nil {
			t.Fatal(err)
		}
		same("gapward_last_cycle_timestamp_seconds"+of, float64(last[0].AtNS)/1e9)
	}
	forecasts, err := db.LatestForecasts(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range forecasts {
		for q, dateNS := range map[string]float64{"0.05": f.DateNS.P05, "0.5": f.DateNS.P50, "0.95": f.DateNS.P95} {
			same(fmt.Sprintf("gapward_forecast_timestamp_seconds{brake=%q,limit=%q,quantile=%q}", f.Brake, f.Limit, q), dateNS/1e9)
		}
		if f.Limit == forecastLimit {
			same(fmt.Sprintf("gapward_wear_meters_per_cycle{brake=%q}", f.Brake), f.WearUMPerK/1e9)
		}
	}
	states, err := db.AlarmStates(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range states {
		same(fmt.Sprintf("gapward_alarm_active{brake=%q,condition=%q}", a.Brake, a.Condition), oneIf(a.State.Active()))
	}
	t.Logf("%d figures at Prometheus are those of the store", compared)
}

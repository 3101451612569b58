package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/gateway/export/exporttest"
)

// panel is what a dashboard asks for in one place.
type panel struct {
	Title, Description, Type string
	Targets                  []struct{ Expr string }
}

func dashboard(t *testing.T, name string) (text []byte, panels []panel) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", "grafana", name))
	if err != nil {
		t.Fatal(err)
	}
	var d struct{ Panels []panel }
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	return text, d.Panels
}

// A panel that leads to touching a brake has the cautions beside it.
func TestDashboardsCarryTheCautions(t *testing.T) {
	for _, name := range []string{"prometheus.json", "influxdb.json"} {
		text, _ := dashboard(t, name)
		for _, c := range alerts.Cautions() {
			if !strings.Contains(string(text), c) {
				t.Errorf("%s doesn't say %q", name, c)
			}
		}
	}
}

// TestDashboardShowsTheDemonstration has a real Prometheus scrape the
// demonstration, and asks it for each panel of the dashboard as Grafana would:
// every one must have something to show.
func TestDashboardShowsTheDemonstration(t *testing.T) {
	exporttest.Program(t, "prometheus")
	t.Parallel()
	demo := begin(t, "demo", "--listen", "127.0.0.1:0", "--data", filepath.Join(t.TempDir(), "data"))
	demo.out.find(t, 4*time.Minute, `Ready after ([0-9.]+) s`)
	target := demo.out.find(t, time.Second, `The page +http://(127\.0\.0\.1:\d+)/\n`)[1]

	address := realPrometheus(t, target)

	// What Grafana puts in for its variables.
	fill := strings.NewReplacer("$brake", ".*", "$__rate_interval", "1m")
	text, panels := dashboard(t, "prometheus.json")
	asked := 0
	for _, p := range panels {
		if p.Title == "" || p.Type != "text" && (p.Description == "" || len(p.Targets) == 0) {
			t.Errorf("a panel says too little of itself: %+v", p)
		}
		for _, one := range p.Targets {
			asked++
			var last string
			found := func() bool {
				n, finite, what := ask(t, address, fill.Replace(one.Expr))
				last = what
				return n > 0 && finite
			}
			for deadline := time.Now().Add(90 * time.Second); !found(); time.Sleep(250 * time.Millisecond) {
				if time.Now().After(deadline) {
					t.Errorf("%s: %s has nothing to show: %s", p.Title, one.Expr, last)
					break
				}
			}
		}
	}
	// What its variable offers to choose from.
	const brakes = "label_values(gapward_gap_limit_meters, brake)"
	if !strings.Contains(string(text), brakes) {
		t.Errorf("the dashboard doesn't ask for %s", brakes)
	}
	for _, brake := range []string{"quay-2/main", "quay-2/creep", "gantry-1/hoist", "trolley-3/hoist"} {
		if n, _, what := ask(t, address, fmt.Sprintf("count by (brake) (gapward_gap_limit_meters{brake=%q})", brake)); n != 1 {
			t.Errorf("%s can't be chosen: %s", brake, what)
		}
	}

	// The linter has but one thing to say: that name is promised to the outside.
	promtool := exporttest.Program(t, "promtool")
	resp, err := http.Get("http://" + target + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	lint := exec.Command(promtool, "check", "metrics")
	var exposed bytes.Buffer
	lint.Stdin = io.TeeReader(resp.Body, &exposed)
	said, _ := lint.CombinedOutput() // 3 where it has something to say
	for line := range strings.Lines(string(said)) {
		if !strings.HasPrefix(line, "gapward_forecast_timestamp_seconds non-summary metrics should not have \"quantile\" label") {
			t.Errorf("promtool check metrics: %s", line)
		}
	}
	if n := strings.Count(exposed.String(), "\ngapward_"); n < 150 {
		t.Errorf("only %d lines were checked", n)
	}
	if asked < 15 {
		t.Errorf("only %d expressions were found", asked)
	}
	t.Logf("%d expressions of %d panels return data from the demonstration", asked, len(panels))
}

// ask puts a query to Prometheus: how many series it has, and whether the
// value of each is a number.
func ask(t *testing.T, address, query string) (series int, finite bool, answer string) {
	t.Helper()
	values, answer := asked(t, address, query)
	finite = true
	for _, v := range values {
		finite = finite && !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	return len(values), finite, answer
}

// asked puts a query to Prometheus and returns the value of each series, NaN
// where there is none. A Prometheus that is still starting has no series.
func asked(t *testing.T, address, query string) (values []float64, answer string) {
	t.Helper()
	resp, err := http.Get("http://" + address + "/api/v1/query?query=" + url.QueryEscape(query))
	if err != nil {
		return nil, err.Error()
	}
	defer func() { _ = resp.Body.Close() }()
	var got struct {
		Status, Error string
		Data          struct {
			Result []struct {
				Value [2]any
			}
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&got); err != nil {
		return nil, err.Error()
	}
	if got.Status == "error" && got.Error != "" {
		t.Fatalf("%s: %s", query, got.Error)
	}
	for _, r := range got.Data.Result {
		text, _ := r.Value[1].(string)
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			v = math.NaN()
		}
		values = append(values, v)
	}
	return values, fmt.Sprintf("%+v", got)
}

package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net"
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
	prometheus, err := exec.LookPath("prometheus")
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatal("GAPWARD_REAL=1, but prometheus is not installed")
		}
		t.Skip("prometheus is not installed; the test needs the real program")
	}
	t.Parallel()
	demo := begin(t, "demo", "--listen", "127.0.0.1:0", "--data", filepath.Join(t.TempDir(), "data"))
	demo.out.find(t, 4*time.Minute, `Ready after ([0-9.]+) s`)
	target := demo.out.find(t, time.Second, `The page +http://(127\.0\.0\.1:\d+)/\n`)[1]

	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(t.TempDir(), "prometheus.yaml")
	text := fmt.Sprintf("scrape_configs:\n- job_name: gapward\n  scrape_interval: 500ms\n  static_configs: [{targets: [%q]}]\n", target)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	startProcess(t, nil, prometheus, "--config.file="+config, "--storage.tsdb.path="+t.TempDir(), "--web.listen-address="+address, "--log.level=warn")

	// What Grafana puts in for its variables.
	fill := strings.NewReplacer("$brake", ".*", "$__rate_interval", "1m")
	_, panels := dashboard(t, "prometheus.json")
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
	if asked < 15 {
		t.Errorf("only %d expressions were found", asked)
	}
	t.Logf("%d expressions of %d panels return data from the demonstration", asked, len(panels))
}

// ask puts a query to Prometheus: how many series it has, and whether the
// value of each is a number.
func ask(t *testing.T, address, query string) (series int, finite bool, answer string) {
	t.Helper()
	resp, err := http.Get("http://" + address + "/api/v1/query?query=" + url.QueryEscape(query))
	if err != nil {
		return 0, false, err.Error() // it is still starting
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
		return 0, false, err.Error()
	}
	if got.Status == "error" && got.Error != "" {
		t.Fatalf("%s: %s", query, got.Error)
	}
	finite = true
	for _, r := range got.Data.Result {
		text, _ := r.Value[1].(string)
		v, err := strconv.ParseFloat(text, 64)
		finite = finite && err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	return len(got.Data.Result), finite, fmt.Sprintf("%+v", got)
}

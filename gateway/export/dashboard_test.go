package export

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// TestRealInfluxShowsTheDashboard asks a real InfluxDB for each panel, and each
// variable, of the dashboard as Grafana would.
func TestRealInfluxShowsTheDashboard(t *testing.T) {
	d := startInflux(t)
	d.Ask(t, "POST", "CREATE DATABASE hoists")
	db := openStore(t)
	commit(t, db, batch(0, 200))
	if err := Flush(t.Context(), db, newInflux(t, InfluxSettings{URL: d.url(), Bucket: "hoists/autogen"}), testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(deployed("grafana", "influxdb.json"))
	if err != nil {
		t.Fatal(err)
	}
	var dashboard struct {
		Templating struct {
			List []struct{ Name, Type, Query string }
		}
		Panels []struct {
			Title, Description, Type string
			Targets                  []struct{ Query string }
		}
	}
	if err := json.Unmarshal(text, &dashboard); err != nil {
		t.Fatal(err)
	}
	fill := strings.NewReplacer("$site", ".*", "$brake", ".*", "$__interval", "10s",
		"$timeFilter", fmt.Sprintf("time >= %d AND time < %d", startNS, startNS+3600e9))
	for _, v := range dashboard.Templating.List {
		if v.Type == "query" && len(d.Ask(t, "GET", fill.Replace(v.Query))) == 0 {
			t.Errorf("variable %s: %s has nothing to choose from", v.Name, v.Query)
		}
	}
	asked := 0
	for _, p := range dashboard.Panels {
		if p.Title == "" || p.Type != "text" && (p.Description == "" || len(p.Targets) == 0) {
			t.Errorf("a panel says too little of itself: %+v", p)
		}
		for _, one := range p.Targets {
			asked++
			rows := d.Ask(t, "GET", fill.Replace(one.Query))
			values := 0
			for _, r := range rows {
				for column, v := range r {
					if column != "time" && v != nil {
						values++
					}
				}
			}
			if values == 0 {
				t.Errorf("%s: %s has nothing to show", p.Title, one.Query)
			}
		}
	}
	if asked < 10 {
		t.Errorf("only %d queries were found", asked)
	}
	t.Logf("%d queries return data", asked)
}

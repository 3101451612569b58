package export

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// influxServer answers writes as it is told and keeps the accepted lines.
type influxServer struct {
	*httptest.Server
	mu     sync.Mutex
	answer func(lines []string) (status int, header map[string]string, body string)
	lines  []string
	last   *http.Request
}

func newInfluxServer(t *testing.T) *influxServer {
	s := &influxServer{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		lines := strings.Split(strings.TrimSuffix(string(body), "\n"), "\n")
		s.mu.Lock()
		defer s.mu.Unlock()
		s.last = r
		status, header, text := http.StatusNoContent, map[string]string(nil), ""
		if s.answer != nil {
			status, header, text = s.answer(lines)
		}
		if status == http.StatusNoContent {
			s.lines = append(s.lines, lines...)
		}
		for k, v := range header {
			w.Header().Set(k, v)
		}
		w.WriteHeader(status)
		_, _ = io.WriteString(w, text)
	}))
	t.Cleanup(s.Close)
	return s
}

func newInflux(t *testing.T, s InfluxSettings) *Influx {
	t.Helper()
	x, err := NewInflux(s, site)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(x.Close)
	return x
}

func tokenFile(t *testing.T, token string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(path, []byte(token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestInfluxLines checks the points as they are on the wire.
func TestInfluxLines(t *testing.T) {
	srv := newInfluxServer(t)
	x := newInflux(t, InfluxSettings{URL: srv.URL, Org: "plant", Bucket: "hoists", TokenFile: tokenFile(t, "secret")})
	no := analysis.NoValue()
	rows := Rows{
		Cycles: []store.CycleRow{
			{ID: 5, Brake: "quay 2/main, west", Cycle: analysis.Cycle{AtNS: startNS, OnNS: 4_250_000_000, GapMM: 1.625, GapUMM: 0.0625, GapUCalMM: no, ReleaseS: 0.25, ReleaseUS: no,
				SetS: no, SetUS: math.Inf(1), SetLevelMM: 2, ReleasedLevelMM: 3.625, TemperatureC: -3, Flags: analysis.FlagSpikes | analysis.FlagNoAfter}},
			cycleAt(creepBrake, 3),
		},
		Forecasts: []store.ForecastRow{forecastOf(mainBrake, "max", 1)},
		Alarms:    []store.AlarmRow{alarmAt("", analysis.GatewayFault, 2, alerts.Normal), alarmAt(mainBrake, analysis.GapAdjust, 2, alerts.Unacknowledged)},
		Verdicts:  []store.VerdictRow{verdictOf(mainBrake, 1)},
	}
	rows.Alarms[0].Unit, rows.Alarms[0].U, rows.Alarms[0].Limit, rows.Alarms[1].By = "", no, no, "shift"
	if err := x.Deliver(t.Context(), rows); err != nil {
		t.Fatal(err)
	}
	want := []string{
		`gapward_alarm,change=cleared,condition=gateway-fault,site=Kestrel\ Quay active=0,id=0i,state="normal",value=2.81 1772344802123456789`,
		`gapward_alarm,brake=quay-2/main,change=raised,condition=gap-adjust,site=Kestrel\ Quay active=1,by="shift",id=0i,limit_mm=2.8,state="unacknowledged",value_mm=2.81,value_u_mm=0.01 1772344802123456789`,
		`gapward_forecast,brake=quay-2/main,limit=max,site=Kestrel\ Quay cycles_p05=50000,cycles_p50=88000,date_p05_s=1800000000,date_p50_s=1900000000,gap_mm=1.7,gap_u_mm=0.02,id=0i,limit_mm=2.8,wear_u_um_per_1000_cycles=1,wear_um_per_1000_cycles=12.5 1772344800123456790`,
		`gapward_cycle,brake=quay\ 2/main\,\ west,site=Kestrel\ Quay flags="spikes,no-set-after",gap_mm=1.625,gap_u_mm=0.0625,id=5i,kind="full",on_ms=4250,release_ms=250,released_level_mm=3.625,set_level_mm=2,temperature_c=-3 1772344800123456789`,
		`gapward_cycle,brake=quay-2/creep,site=Kestrel\ Quay flags="",id=0i,kind="jog",on_ms=100 1772344803123456789`,
	}
	for i, line := range want {
		if i >= len(srv.lines) || sorted(srv.lines[i]) != sorted(line) {
			t.Errorf("line %d is\n%s\nwant\n%s", i+1, srv.lines[i], line)
		}
	}
	if len(srv.lines) != len(want) {
		t.Errorf("%d lines, want %d", len(srv.lines), len(want))
	}
	if q := srv.last.URL.Query(); q.Get("org") != "plant" || q.Get("bucket") != "hoists" || q.Get("precision") != "ns" || srv.last.Header.Get("Authorization") != "Token secret" {
		t.Errorf("asked with %v and %q", srv.last.URL, srv.last.Header.Get("Authorization"))
	}
}

// sorted brings tags and fields, whose order means nothing, into one order. It
// takes a comma or space inside a value for one between, the same way on both
// sides.
func sorted(line string) string {
	parts := strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ' ' })
	slices.Sort(parts)
	return strings.Join(parts, " ")
}

// TestInfluxAnswers checks what each answer of a server means for the rows.
func TestInfluxAnswers(t *testing.T) {
	for _, c := range []struct {
		status  int
		header  map[string]string
		refused bool
		busy    time.Duration
	}{
		{status: 204},
		{status: 400, refused: true},
		{status: 413, refused: true},
		{status: 422, refused: true},
		{status: 401},
		{status: 403},
		{status: 404},
		{status: 429, header: map[string]string{"Retry-After": "7"}, busy: 7 * time.Second},
		{status: 500},
		{status: 503, header: map[string]string{"Retry-After": "90"}, busy: 90 * time.Second},
	} {
		t.Run(fmt.Sprint(c.status), func(t *testing.T) {
			srv := newInfluxServer(t)
			srv.answer = func([]string) (int, map[string]string, string) { return c.status, c.header, "the reason" }
			x := newInflux(t, InfluxSettings{URL: srv.URL, Bucket: "hoists"})
			err := x.Deliver(t.Context(), Rows{Cycles: []store.CycleRow{cycleAt(mainBrake, 0)}})
			if (err == nil) != (c.status == 204) {
				t.Fatalf("it says %v", err)
			}
			if _, refused := asError[*Refused](err); refused != c.refused {
				t.Errorf("%v: refused for good: %v", err, refused)
			}
			busy, _ := asError[*Busy](err)
			if busy == nil && c.busy != 0 || busy != nil && busy.After != c.busy {
				t.Errorf("%v: wait %+v, want %v", err, busy, c.busy)
			}
			if err != nil && !strings.Contains(err.Error(), "the reason") {
				t.Errorf("%v doesn't give the server's reason", err)
			}
		})
	}
	t.Run("nobody there", func(t *testing.T) {
		x := newInflux(t, InfluxSettings{URL: "http://127.0.0.1:" + freePort(t), Bucket: "hoists"})
		err := x.Deliver(t.Context(), Rows{Cycles: []store.CycleRow{cycleAt(mainBrake, 0)}})
		if _, refused := asError[*Refused](err); err == nil || refused {
			t.Errorf("it says %v", err)
		}
	})
}

// TestInfluxConfigurationErrorKeepsRows has a server that knows no such token,
// until a person puts it right.
func TestInfluxConfigurationErrorKeepsRows(t *testing.T) {
	srv := newInfluxServer(t)
	srv.answer = func([]string) (int, map[string]string, string) { return 401, nil, "unauthorized" }
	db := openStore(t)
	commit(t, db, batch(0, 20))
	x := newInflux(t, InfluxSettings{URL: srv.URL, Bucket: "hoists"})
	var last Progress
	if err := Flush(t.Context(), db, x, quiet(), func(p Progress) { last = p }); err == nil || last.SetAside != 0 || last.Backlog != 25 {
		t.Fatalf("with a wrong token: %v, %+v", err, last)
	}
	srv.answer = nil
	if err := Flush(t.Context(), db, x, quiet(), func(p Progress) { last = p }); err != nil || len(srv.lines) != 25 || last.Backlog != 0 {
		t.Errorf("with the right token: %v, %d lines, %+v", err, len(srv.lines), last)
	}
}

func TestSecretFiles(t *testing.T) {
	if _, err := NewInflux(InfluxSettings{TokenFile: "/nowhere/token"}, site); err == nil || !strings.Contains(err.Error(), "export.influx.token_file") {
		t.Errorf("a missing token file: %v", err)
	}
	if _, err := NewMQTT(MQTTSettings{PasswordFile: tokenFile(t, "")}, site, nil, quiet()); err == nil || !strings.Contains(err.Error(), "is empty") {
		t.Errorf("an empty password file: %v", err)
	}
}

// TestRealInflux delivers to InfluxDB 1.8, twice, with an outage between, and
// reads everything back by InfluxQL.
func TestRealInflux(t *testing.T) {
	influxd := real(t, "influxd", filepath.Join(gopath(), "bin", "influxd"))
	dir, port := t.TempDir(), freePort(t)
	config := filepath.Join(dir, "influxdb.conf")
	text := fmt.Sprintf("reporting-disabled = true\nbind-address = \"127.0.0.1:%s\"\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\n[http]\nbind-address = \"127.0.0.1:%s\"\nlog-enabled = false\n[monitor]\nstore-enabled = false\n[logging]\nlevel = \"error\"\n",
		freePort(t), filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), port)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	daemon := start(t, influxd, "-config", config)
	base := "http://127.0.0.1:" + port

	db := openStore(t)
	commit(t, db, batch(0, 700))
	x := newInflux(t, InfluxSettings{URL: base, Bucket: "hoists/autogen"})
	eventually(t, "influxd answers", func() bool {
		resp, err := http.Get(base + "/ping")
		if err == nil {
			_ = resp.Body.Close()
		}
		return err == nil
	})
	// Without the database the rows wait.
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err == nil || !strings.Contains(err.Error(), "export.influx.org and bucket") {
		t.Fatalf("without a database: %v", err)
	}
	ask(t, base, "POST", "CREATE DATABASE hoists")
	// Another program has made a field of the forecasts a string: they can't be
	// written, all else must be.
	line := fmt.Sprintf("gapward_forecast,site=elsewhere gap_u_mm=\"a string\" %d\n", startNS)
	resp, err := http.Post(base+"/api/v2/write?bucket=hoists/autogen", "text/plain", strings.NewReader(line))
	if err != nil || resp.StatusCode != 204 {
		t.Fatal(err, resp)
	}
	_ = resp.Body.Close()
	var last Progress
	if err := Flush(t.Context(), db, x, testLog(t), func(p Progress) { last = p }); err != nil || last.SetAside != 2 || last.Delivered != 703 {
		t.Fatalf("with forecasts that can't be written: %v, %+v", err, last)
	}
	ask(t, base, "POST", "DROP MEASUREMENT gapward_forecast")
	// Killed, started again, and all is delivered once more: still one point a row.
	_ = daemon.Process.Kill()
	_ = daemon.Wait()
	commit(t, db, batch(1000, 60))
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err == nil {
		t.Fatal("delivered to a dead server")
	}
	start(t, influxd, "-config", config)
	eventually(t, "the rest is delivered", func() bool { return Flush(t.Context(), db, x, testLog(t), ignore) == nil })
	if err := db.SetCursor(t.Context(), "influx/cycles", 0); err != nil {
		t.Fatal(err)
	}
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}

	want, err := db.CyclesAfter(t.Context(), 0, 1000)
	if err != nil || len(want) != 760 {
		t.Fatal(len(want), err)
	}
	got := ask(t, base, "GET", `SELECT * FROM gapward_cycle ORDER BY time`)
	if len(got) != len(want) {
		t.Errorf("InfluxDB has %d cycles, want %d", len(got), len(want))
	}
	for i, p := range got {
		w := want[i]
		if at, _ := p["time"].(json.Number).Int64(); at != w.AtNS || p["brake"] != w.Brake || p["site"] != site || p["kind"] != w.Kind.String() {
			t.Fatalf("point %d is %v, want %+v", i, p, w)
		}
		for name, v := range map[string]float64{"gap_mm": w.GapMM, "gap_u_mm": w.GapUMM, "set_ms": w.SetS * 1e3, "id": float64(w.ID), "released_level_mm": w.ReleasedLevelMM} {
			if n, ok := p[name].(json.Number); analysis.Has(v) != ok {
				t.Errorf("cycle %d: %s is %v, want %v", w.ID, name, p[name], v)
			} else if f, _ := n.Float64(); ok && f != v {
				t.Errorf("cycle %d: %s is %v, want %v", w.ID, name, f, v)
			}
		}
	}
	if n := len(ask(t, base, "GET", "SELECT * FROM gapward_alarm")); n != 6 {
		t.Errorf("InfluxDB has %d alarms, want 6", n)
	}
	if f := ask(t, base, "GET", `SELECT * FROM gapward_forecast WHERE "limit" = 'adjust'`); len(f) != 1 || f[0]["wear_um_per_1000_cycles"] != json.Number("12.5") {
		t.Errorf("InfluxDB has forecasts %v", f)
	}
}

// ask sends an InfluxQL statement and gives its only series' rows by column.
func ask(t *testing.T, base, method, statement string) []map[string]any {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, base+"/query?epoch=ns&db=hoists&q="+url.QueryEscape(statement), nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	var answer struct {
		Results []struct {
			Error  string
			Series []struct {
				Columns []string
				Values  [][]any
			}
		}
	}
	decoder := json.NewDecoder(resp.Body)
	decoder.UseNumber()
	if err := decoder.Decode(&answer); err != nil || len(answer.Results) != 1 || answer.Results[0].Error != "" {
		t.Fatalf("%s: %v %+v", statement, err, answer)
	}
	var rows []map[string]any
	for _, s := range answer.Results[0].Series {
		for _, values := range s.Values {
			rows = append(rows, maps.Collect(func(yield func(string, any) bool) {
				for i, c := range s.Columns {
					if !yield(c, values[i]) {
						return
					}
				}
			}))
		}
	}
	return rows
}

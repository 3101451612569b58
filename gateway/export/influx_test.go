package export

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
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

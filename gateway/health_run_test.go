package gateway

import (
	"context"
	"database/sql"
	"io"
	"log/slog"
	"net/http"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gapward/sensors"
)

// paced is a device that gives a recording's samples as time passes, again and
// again, and can be made to hang.
type paced struct {
	samples []sensors.Sample
	hung    atomic.Bool
}

func (p *paced) Name() string { return "io" }

// Run implements [sensors.Source].
func (p *paced) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	shift, next := time.Now().UnixNano()-p.samples[0].AtNS, 0
	for tick := time.NewTicker(20 * time.Millisecond); ; {
		select {
		case <-ctx.Done():
			tick.Stop()
			return nil
		case <-tick.C:
		}
		var batch []sensors.Sample
		for now := time.Now().UnixNano(); next < len(p.samples) && p.samples[next].AtNS+shift <= now; next++ {
			s := p.samples[next]
			s.AtNS += shift
			batch = append(batch, s)
		}
		if p.hung.Load() || len(batch) == 0 {
			continue
		}
		select {
		case out <- batch:
		case <-ctx.Done():
			return nil
		}
	}
}

// A running daemon whose poll loop hangs, or whose writer does, says so at
// /healthz and is silent to the service manager, from the same truth; when it
// goes on, so do both.
func TestARunningDaemonThatStandsStillSaysSo(t *testing.T) {
	socket := listenAsManager(t, filepath.Join(t.TempDir(), "s"))
	t.Setenv("NOTIFY_SOCKET", socket.LocalAddr().String())
	t.Setenv("WATCHDOG_USEC", "300000") // a sign of life each 100 ms
	t.Setenv("WATCHDOG_PID", "")
	// signs counts the signs of life that come within a time.
	signs := func(within time.Duration) (n int) {
		if err := socket.SetReadDeadline(time.Now().Add(within)); err != nil {
			t.Fatal(err)
		}
		for buf := make([]byte, 64); ; {
			got, err := socket.Read(buf)
			if err != nil {
				return n
			}
			if string(buf[:got]) == "WATCHDOG=1" {
				n++
			}
		}
	}

	l := newLife(t, 24)
	l.site.Data, l.site.Page.Listen = t.TempDir(), "127.0.0.1:0"
	device := &paced{samples: l.samples}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	started, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- Run(ctx, l.site, Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Started: func(a string) { started <- a }, quietFor: 2 * time.Second,
			Sources: func(sensors.Watcher) ([]sensors.Source, error) { return []sensors.Source{device}, nil }})
	}()
	var address string
	select {
	case address = <-started:
	case err := <-ended:
		t.Fatalf("it ended at once: %v", err)
	}
	// until waits for an answer of /healthz, and for signs of life or none.
	until := func(what string, code int, words string, alive bool) {
		t.Helper()
		var last string
		for deadline := time.Now().Add(90 * time.Second); time.Now().Before(deadline); {
			resp, err := http.Get("http://" + address + "/healthz")
			if err != nil {
				t.Fatal(err)
			}
			body, err := io.ReadAll(resp.Body)
			_ = resp.Body.Close()
			if err != nil {
				t.Fatal(err)
			}
			last = resp.Status + " " + string(body)
			if heard := signs(500*time.Millisecond) > 0; resp.StatusCode == code && strings.Contains(last, words) && heard == alive {
				return
			}
		}
		t.Fatalf("%s: /healthz says %q; want %d, %q, and signs of life: %v", what, last, code, words, alive)
	}
	until("all goes on", 200, "", true)
	device.hung.Store(true)
	until("the poll loop hangs", 503, "the polling of io has not moved for", false)
	device.hung.Store(false)
	until("the poll loop goes on", 200, "", true)

	// Another program holds the database: each commit waits for it for seconds.
	other, err := sql.Open("sqlite", "file:"+filepath.Join(l.site.Data, "gapward.db")+"?_pragma=busy_timeout(60000)")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	hold, err := other.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := hold.ExecContext(t.Context(), "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	until("the writer hangs", 503, "the pipeline has not moved for", false)
	if _, err := hold.ExecContext(t.Context(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := hold.Close(); err != nil {
		t.Fatal(err)
	}
	until("the writer goes on", 200, "", true)
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

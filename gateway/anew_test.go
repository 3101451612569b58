package gateway

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/gateway/store"
	"gapward/sensors"
)

// poured is a device that gives all its samples at once and then keeps silent.
type poured struct{ samples []sensors.Sample }

func (p *poured) Name() string { return "io" }

// Run implements [sensors.Source].
func (p *poured) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	for batch := range slices.Chunk(p.samples, 500) {
		select {
		case out <- batch:
		case <-ctx.Done():
			return nil
		}
	}
	<-ctx.Done()
	return nil
}

// A daemon whose box believes in another year has its clock put right, decades
// back: it begins anew by itself, at the same address, and tells what happened.
// The cycles are numbered as they came, those before with the times that were
// believed, those after with the right ones, and they are what the page shows as
// the latest.
func TestBeginsAnewWhenTheClockIsSetBackByFar(t *testing.T) {
	l := newLife(t, 6)
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.site.Data, l.site.Page.Listen = t.TempDir(), free.Addr().String()
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	const years = 40 * 365 * 24 * time.Hour
	var ahead atomic.Int64
	ahead.Store(int64(years))
	half := len(l.samples) / 2
	// shifted ends at the time that the clock shows.
	shifted := func(samples []sensors.Sample) []sensors.Sample {
		samples = slices.Clone(samples)
		by := time.Now().UnixNano() + ahead.Load() - samples[len(samples)-1].AtNS
		for i := range samples {
			samples[i].AtNS += by
		}
		return samples
	}
	starts := 0
	sources := func(sensors.Watcher) ([]sensors.Source, error) {
		starts++
		if starts == 1 {
			return []sensors.Source{&poured{shifted(l.samples[:half])}}, nil
		}
		return []sensors.Source{&poured{shifted(l.samples[half:])}}, nil
	}
	manager := listenAsManager(t, filepath.Join(t.TempDir(), "s"))
	t.Setenv("NOTIFY_SOCKET", manager.LocalAddr().String())
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	started, ended := make(chan string, 2), make(chan error, 1)
	go func() {
		ended <- Run(ctx, l.site, Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Started: func(a string) { started <- a }, Sources: sources,
			wall: func(now time.Time) time.Time { return now.Add(time.Duration(ahead.Load())) }})
	}()
	select {
	case <-started:
	case err := <-ended:
		t.Fatalf("it ended at once: %v", err)
	}
	stored := func() (cycles []store.CycleRow, own []alerts.Event) {
		t.Helper()
		db, err := store.OpenReadOnly(t.Context(), l.site.Data)
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		if cycles, err = db.CyclesAfter(t.Context(), 0, 1e6); err != nil {
			t.Fatal(err)
		}
		return cycles, gatewayEvents(t, db)
	}
	const some = 20
	until := func(what string, done func() bool) {
		t.Helper()
		for deadline := time.Now().Add(60 * time.Second); !done(); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("waited in vain: %s", what)
			}
		}
	}
	until("cycles of the wrong year", func() bool { cycles, _ := stored(); return len(cycles) >= some })
	ahead.Store(0)
	var before int
	until("cycles of the right year", func() bool {
		cycles, _ := stored()
		before = slices.IndexFunc(cycles, func(c store.CycleRow) bool { return c.AtNS < time.Now().UnixNano() })
		return before > 0 && len(cycles) >= before+some
	})
	resp, err := http.Get("http://" + l.site.Page.Listen + "/api/cycles/quay-2/main?limit=3")
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	var page struct{ Cycles []struct{ Time time.Time } }
	if err != nil || json.Unmarshal(body, &page) != nil || len(page.Cycles) != 3 || page.Cycles[2].Time.After(time.Now()) || time.Since(page.Cycles[0].Time) > time.Hour {
		t.Errorf("the latest cycles at the page are %s (%v)", body, err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if starts != 2 || len(started) != 0 {
		t.Errorf("it began %d times, and said so %d times more", starts, len(started))
	}
	// To the service manager it never went away: else that would end it.
	if err := manager.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	var heard []string
	for buf := make([]byte, 64); len(heard) == 0 || heard[len(heard)-1] != "STOPPING=1"; {
		n, err := manager.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		heard = append(heard, string(buf[:n]))
	}
	if !slices.Equal(heard, []string{"READY=1", "READY=1", "STOPPING=1"}) {
		t.Errorf("the service manager heard %q", heard)
	}
	cycles, own := stored()
	last := map[string]int64{}
	for i, c := range cycles {
		if i == before {
			clear(last)
		}
		if c.ID != int64(i+1) || c.AtNS <= last[c.Brake] {
			t.Fatalf("cycle %d has the id %d and follows one of %v at %v", i+1, c.ID, time.Unix(0, last[c.Brake]), time.Unix(0, c.AtNS))
		}
		last[c.Brake] = c.AtNS
		if c.OnNS < int64(50*time.Millisecond) || c.OnNS > int64(2200*time.Millisecond) {
			t.Errorf("cycle %d was on for %v", i+1, time.Duration(c.OnNS))
		}
	}
	var told []string
	for _, e := range own {
		if e.Change == alerts.Raised {
			told = append(told, e.Detail)
		}
	}
	if all := strings.Join(told, "\n"); !strings.Contains(all, "set back by 350400h") || !strings.Contains(all, "begins anew by the right time") || !strings.Contains(all, "behind the latest cycle") {
		t.Errorf("of the step is on record: %q", told)
	}
	t.Logf("%d cycles, %d of them of the wrong year", len(cycles), before)
}

// While times are told ahead of a clock that was set back by hours, the alarm
// stands; once they agree it is over as after any other step.
func TestAClockThatIsWaitedForIsTold(t *testing.T) {
	o := house(t, NewPipeline(nil, false))
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC).UnixNano()
	passed, back := time.Duration(0), 2*time.Hour
	on := func(lasts time.Duration, stands bool) {
		t.Helper()
		for end := passed + lasts; passed < end; passed += time.Second {
			o.turn(context.Background(), moment{start + int64(passed-back), passed})
		}
		if got := o.faults.alarm.State.Active(); got != stands {
			t.Errorf("after %v the alarm stands: %v, want %v", passed, got, stands)
		}
	}
	back = 0
	on(time.Minute, false)
	back = 2 * time.Hour
	on(5*time.Hour, true)
	back = -time.Second // ahead of where it was, by little
	on(2*time.Hour, false)
}

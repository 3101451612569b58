package export

import (
	"bufio"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
)

// TestRealMosquittoAnHourAway has the broker gone for an hour's work at 500
// cycles a minute, the time compressed. Then it is back, is stopped in the
// middle of catching up, and is back again. A listener that isn't ours must have
// each row once, as it is in the store; an alarm and a verdict of today don't wait
// behind the backlog; memory doesn't grow with it.
func TestRealMosquittoAnHourAway(t *testing.T) {
	broker, program := exporttest.NewMosquitto(t), exporttest.Program(t, "mosquitto_sub")
	broker.Start(t)
	_, port, _ := strings.Cut(broker.Address, ":")
	path := filepath.Join(t.TempDir(), "heard")
	heard, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	plant := exec.Command(program, "-h", "127.0.0.1", "-p", port, "-q", "1", "-c", "-i", "plant", "-t", "gapward/#", "-F", "%t %p")
	plant.Stdout, plant.Stderr = heard, t.Output()
	if err := plant.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = plant.Process.Kill()
		_ = plant.Wait() // it says that it was killed
		_ = heard.Close()
	})
	// listened are the messages with an id, and how often each came.
	listened := func() map[string]int {
		t.Helper()
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		count := map[string]int{}
		for lines := bufio.NewScanner(f); lines.Scan(); {
			if kind := lines.Text(); strings.Contains(kind, "/cycle ") || strings.Contains(kind, "/alarm ") {
				count[kind]++
			}
		}
		return count
	}

	db := openStore(t)
	m, _ := startMQTT(t, broker.Address)
	eventually(t, "the listener hears that the gateway is online", func() bool {
		text, err := os.ReadFile(path)
		return err == nil && strings.Contains(string(text), "/gateway online")
	})
	commit(t, db, batch(0, 500))
	if err := db.SetCursors(t.Context(), map[string]int64{"mqtt/cycles": 0, "mqtt/alarms": 0, "mqtt/forecasts": 0}); err != nil {
		t.Fatal(err)
	}
	if err := Flush(t.Context(), db, m, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	heap := func() int64 {
		runtime.GC()
		var stats runtime.MemStats
		runtime.ReadMemStats(&stats)
		return int64(stats.HeapAlloc)
	}
	idle := heap()

	broker.End(syscall.SIGTERM)
	const minutes = 60
	for minute := range minutes {
		commit(t, db, batch(500*(minute+1), 500))
	}
	if err := Flush(expired(t), db, m, testLog(t), ignore); err == nil {
		t.Fatal("delivered to a broker that isn't there")
	}
	broker.Start(t)

	// All that follows happens in the delivering goroutine, between two
	// deliveries, so it is the same on a slow machine.
	var peak, deliveries int64
	stopped := make(chan struct{})
	var urgent, urgentAfter int64 // id of today's alarm, and the cycles delivered before it …
	var rev int64                 // … and before today's verdict
	observe := func(p Progress) {
		ctx := context.Background()
		if p.Err != nil {
			return
		}
		if deliveries++; deliveries%10 == 0 {
			peak = max(peak, heap()-idle)
		}
		at, err := db.Cursors(ctx, "mqtt/")
		if err != nil {
			t.Error(err)
		}
		switch {
		case urgent == 0 && at["mqtt/cycles"] > 5000:
			b := &store.Batch{Alarms: []store.AlarmRow{alarmAt(creepBrake, analysis.NotSet, 1_000_000, alerts.Unacknowledged)},
				Verdicts: []store.VerdictRow{verdictOf(creepBrake, 987_654)}}
			if err := db.Commit(ctx, b); err != nil {
				t.Error(err)
			}
			urgent, rev = b.Alarms[0].ID, b.Verdicts[0].Rev
			broker.End(syscall.SIGTERM)
			close(stopped)
		case urgent != 0 && urgentAfter == 0 && at["mqtt/alarms"] >= urgent && at["mqtt/verdicts"] >= rev:
			urgentAfter = at["mqtt/cycles"]
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- Run(ctx, db, m, quiet(), observe) }()
	// A broker that was away is tried again after half a minute at most.
	patiently(t, "a part of it is caught up", func() bool {
		select {
		case <-stopped:
			return true
		default:
			return false
		}
	})
	broker.Start(t)
	const want = int64(500 * (minutes + 1))
	patiently(t, "all of it is caught up", func() bool {
		id, err := db.Cursor(t.Context(), "mqtt/cycles")
		return err == nil && id == want
	})
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}

	expected := map[string]bool{}
	cycles, err := db.CyclesAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range cycles {
		expected["gapward/Kestrel-Quay/"+r.Brake+"/cycle "+string(withID(r.AppendJSON(nil, r.Brake), r.ID))] = true
	}
	alarms, err := db.AlarmsAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range alarms {
		topic := "gapward/Kestrel-Quay/" + r.Brake
		if r.Brake == "" {
			topic = "gapward/Kestrel-Quay/gateway"
		}
		expected[topic+"/alarm "+string(withID(r.Event.AppendJSON(nil), r.ID))] = true
	}
	patiently(t, "the listener has all of it", func() bool { return len(listened()) >= len(expected) })
	twice := 0
	for line, n := range listened() {
		if !expected[line] {
			t.Fatalf("heard, and not stored: %s", line)
		}
		if n > 1 {
			twice++
		}
	}
	// What was on its way when the broker was stopped may come again, with its
	// id; nothing else does.
	if twice > batchSize {
		t.Errorf("%d rows came more than once", twice)
	}
	if urgentAfter == 0 || urgentAfter > want/2 {
		t.Errorf("an alarm of today came after %d of %d cycles of the backlog", urgentAfter, want)
	}
	if peak > 8<<20 {
		t.Errorf("memory grew by %d kB while catching up", peak>>10)
	}
	t.Logf("%d rows heard as in the store, %d of them again after the broker's stop; today's alarm came after %d of %d cycles; memory grew by %d kB", len(expected), twice, urgentAfter, want, peak>>10)
}

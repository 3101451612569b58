package gateway_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/gateway"
	"gapward/simulator"
)

// A daemon that records is stopped and started again, twice. The directory of
// its recordings, replayed at once, gives the very bytes that are in the store.
func TestReplayEqualsLiveOverRestarts(t *testing.T) {
	dir := t.TempDir()
	s := newStage(t, dir)
	record := filepath.Join(dir, "record")
	stored := func(kind string) int { return len(storedLines(t, s.site.Data)[kind]) }
	for run := range 3 {
		d := startDaemon(t, s, record)
		before := 0
		if run > 0 {
			before = stored("cycle")
		}
		eventually(t, "cycles", func() bool { return stored("cycle") >= before+4 })
		if err := s.plant.Apply(simulator.Event{Brake: "quay-2/main", Fault: simulator.NotFreeing, Lasts: 3 * time.Second}); err != nil {
			t.Fatal(err)
		}
		// The stop may come at any moment of that.
		time.Sleep(time.Duration(run) * 1100 * time.Millisecond)
		if err := d.stop(); err != nil {
			t.Fatal(err)
		}
	}
	files, err := filepath.Glob(filepath.Join(record, "samples-*.csv"))
	if err != nil || len(files) != 3 {
		t.Fatalf("recorded into %v (%v), want three files", files, err)
	}
	var out bytes.Buffer
	if err := gateway.Replay(context.Background(), s.site, gateway.Recording{Samples: []string{record}}, &out, nil); err != nil {
		t.Fatal(err)
	}
	live, replayed := storedLines(t, s.site.Data), byType(t, out.Bytes())
	for _, kind := range []string{"cycle", "alarm", "forecast"} {
		a, b := strings.Join(live[kind], ""), strings.Join(replayed[kind], "")
		if a != b {
			t.Errorf("%ss differ: stored\n%s\nreplayed\n%s", kind, a, b)
		}
	}
	if len(live["cycle"]) < 12 {
		t.Errorf("only %d cycles", len(live["cycle"]))
	}

	// A killed daemon leaves half a line, which only a file that another follows
	// may end with; and files must be named in the order of time.
	text, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(files[0], text[:bytes.LastIndexByte(text[:len(text)-1], '\n')+12], 0o640); err != nil {
		t.Fatal(err)
	}
	var warned []string
	warn := func(text string) { warned = append(warned, text) }
	if err := gateway.Replay(context.Background(), s.site, gateway.Recording{Samples: []string{record}, Warn: warn}, &bytes.Buffer{}, nil); err != nil || len(warned) != 1 {
		t.Errorf("with half a line at the end of the first file: %v, warned %v", err, warned)
	}
	if err := gateway.Replay(context.Background(), s.site, gateway.Recording{Samples: files[:1], Warn: warn}, &bytes.Buffer{}, nil); err == nil {
		t.Error("half a line at the end of all is passed over")
	}
	on := filepath.Join(record, "samples-20000101T000000Z-on.csv")
	if err := os.WriteFile(on, []byte("time,brake,signal,value\n2000-01-01T00:00:00Z,,tick,\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := gateway.Replay(context.Background(), s.site, gateway.Recording{Samples: []string{files[1], on}}, &bytes.Buffer{}, nil); err == nil || !strings.Contains(err.Error(), "order of time") {
		t.Errorf("files in the wrong order: %v", err)
	}
}

package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// TestBackupWhileTheStoreIsWritten takes a copy in the midst of commits, and
// wants it to be a store that opens, with cycles 1 to some n and no hole.
func TestBackupWhileTheStoreIsWritten(t *testing.T) {
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	data := filepath.Join(dir, "data")
	err := os.WriteFile(site, fmt.Appendf(nil, `site: Test Quay
data: %s
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10]}
`, data), 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if code, _, errs := invoke(t, "backup", dir, "--config", site); code != exitUsage || !strings.Contains(errs, "no database") {
		t.Errorf("without a database: exit %d, %s", code, errs)
	}
	db, err := store.Open(t.Context(), data, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	commit := func(i int) {
		no := analysis.NoValue()
		b := store.Batch{Cycles: []store.CycleRow{{Brake: "quay-2/main", Cycle: analysis.Cycle{AtNS: int64(i+1) * 1e9, GapMM: 1.6, GapUMM: no, GapUCalMM: no,
			ReleaseS: no, ReleaseUS: no, SetS: no, SetUS: no, SetLevelMM: no, ReleasedLevelMM: no, TemperatureC: no}}}}
		if err := db.Commit(context.Background(), &b); err != nil {
			t.Error(err)
		}
	}
	for i := range 100 {
		commit(i)
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for i := 100; ; i++ {
			select {
			case <-stop:
				return
			default:
				commit(i)
			}
		}
	}()
	into := filepath.Join(dir, "backups")
	if err := os.Mkdir(into, 0o750); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "copy.db")
	for _, to := range []string{into, file} {
		if code, out, errs := invoke(t, "backup", to, "--config", site); code != exitDone || !strings.Contains(out, "MB") {
			t.Errorf("backup to %s: exit %d, %s%s", to, code, out, errs)
		}
	}
	close(stop)
	<-stopped
	if code, _, errs := invoke(t, "backup", file, "--config", site); code != exitUsage || !strings.Contains(errs, "there already") {
		t.Errorf("onto a file that is there: exit %d, %s", code, errs)
	}
	made, err := filepath.Glob(filepath.Join(into, "gapward-"+time.Now().UTC().Format("2006")+"*.db"))
	if err != nil || len(made) != 1 {
		t.Fatalf("in the directory are %v (%v)", made, err)
	}
	for i, path := range []string{made[0], file} {
		back := filepath.Join(dir, fmt.Sprint("back", i))
		if err := os.Mkdir(back, 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(path, filepath.Join(back, "gapward.db")); err != nil {
			t.Fatal(err)
		}
		copied, err := store.Open(t.Context(), back, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		cycles, err := copied.CyclesAfter(t.Context(), 0, 1e6)
		if err != nil || len(cycles) < 100 || cycles[len(cycles)-1].ID != int64(len(cycles)) || copied.SetAside() != "" {
			t.Errorf("the copy has %d cycles, the last %d (%v)", len(cycles), cycles[max(0, len(cycles)-1)].ID, err)
		}
		if err := copied.Close(); err != nil {
			t.Error(err)
		}
	}
}

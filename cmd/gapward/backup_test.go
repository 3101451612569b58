package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/export/exporttest"
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

// soundDatabase has Python's own SQLite look through a database: its answer, and
// how many cycles it counts.
const soundDatabase = `
import sqlite3, sys
db = sqlite3.connect("file:" + sys.argv[1] + "?mode=ro", uri=True)
print(*[r[0] for r in db.execute("PRAGMA integrity_check")], *db.execute("PRAGMA foreign_key_check"), db.execute("SELECT count(*) FROM cycles").fetchone()[0])
`

// The program's own backup beside the running daemon, time and again: each copy
// is whole by a judge that isn't ours, has the cycles of its moment to the bit,
// and a daemon goes on from it as if nothing had been.
func TestBackupOfARunningDaemon(t *testing.T) {
	t.Parallel()
	python := exporttest.Program(t, "/usr/bin/python3", "python3")
	s, program := newBusySite(t, 8, ""), build(t)
	p := startProcess(t, nil, program, "run", "--config", s.file)
	p.err.find(t, 30*time.Second, `msg=running`)
	var copies []string
	for i := range 5 {
		eventually(t, time.Minute, "more cycles", func() bool { return len(s.stored(t)) >= 4*(i+1) })
		path := filepath.Join(t.TempDir(), "copy.db")
		if out, err := exec.Command(program, "backup", path, "--config", s.file).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		copies = append(copies, path)
	}
	if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("it ended with %v", p.cmd.ProcessState)
	}
	all, before := s.stored(t), 0
	for i, path := range copies {
		out, err := exec.Command(python, "-c", soundDatabase, path).CombinedOutput()
		s.data = filepath.Dir(path)
		if err := os.Rename(path, filepath.Join(s.data, "gapward.db")); err != nil {
			t.Fatal(err)
		}
		had := s.stored(t)
		if err != nil || strings.TrimSpace(string(out)) != fmt.Sprintf("ok %d", len(had)) {
			t.Errorf("copy %d with %d cycles is judged %q (%v)", i, len(had), out, err)
		}
		if len(had) < max(before, 4*(i+1)) || !slices.Equal(had, all[:len(had)]) {
			t.Errorf("copy %d has %d cycles, or others than were stored", i, len(had))
		}
		before = len(had)
	}

	// Put back, the last is gone on from.
	text, err := os.ReadFile(s.file)
	if err != nil {
		t.Fatal(err)
	}
	s.file = filepath.Join(s.data, "site.yaml")
	if err := os.WriteFile(s.file, []byte(strings.Replace(string(text), "data: ", "data: "+s.data+" # ", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	p = startProcess(t, nil, program, "run", "--config", s.file)
	p.err.find(t, 30*time.Second, `msg=recalled cycles=`+fmt.Sprint(before)+` `)
	eventually(t, time.Minute, "cycles after those of the copy", func() bool { return len(s.stored(t)) >= before+3 })
	if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("it ended with %v", p.cmd.ProcessState)
	}
	if now := s.stored(t); !slices.Equal(now[:before], all[:before]) {
		t.Error("what was in the copy is not as it was")
	}
	s.sameAsUnkilled(t)
	t.Logf("%d copies of up to %d cycles, all whole", len(copies), before)
}

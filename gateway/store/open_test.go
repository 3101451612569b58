package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gapward/analysis"
)

// raw runs statements on a database that isn't open otherwise.
func raw(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func openFails(t *testing.T, dir string) error {
	t.Helper()
	d, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err == nil {
		_ = d.Close()
		t.Fatal("it opened")
	}
	return err
}

func TestMigrationsAreNumberedWithoutGap(t *testing.T) {
	for i, name := range migrationNames() {
		if want := fmt.Sprintf("migrations/%04d_", i+1); !strings.HasPrefix(name, want) {
			t.Errorf("migration %d is %s; its name must begin with %s", i+1, name, want)
		}
	}
	if newestVersion() == 0 {
		t.Error("no migrations are embedded")
	}
}

func TestNewerDatabaseIsRefused(t *testing.T) {
	dir := t.TempDir()
	d := openAt(t, dir)
	commit(t, d, wholeBatch())
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	raw(t, d.path, fmt.Sprintf("PRAGMA user_version = %d", newestVersion()+1))
	before, err := os.ReadFile(d.path)
	if err != nil {
		t.Fatal(err)
	}
	err = openFails(t, dir)
	if !errors.Is(err, ErrNewer) || !strings.Contains(err.Error(), "install the newer version again") {
		t.Errorf("refused with %q", err)
	}
	if _, err := OpenReadOnly(t.Context(), dir); !errors.Is(err, ErrNewer) {
		t.Errorf("for reading refused with %v", err)
	}
	if after, err := os.ReadFile(d.path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the refused file was changed (%v)", err)
	}
	raw(t, d.path, fmt.Sprintf("PRAGMA user_version = %d", newestVersion()))
	if got := must(openAt(t, dir).Verdicts(t.Context())); len(got) != 2 {
		t.Errorf("after the newer version is gone again, %d verdicts are there", len(got))
	}
}

func TestStrangeDatabaseIsRefused(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, databaseName)
	raw(t, path, "CREATE TABLE recipes (name TEXT)")
	if err := openFails(t, dir); !strings.Contains(err.Error(), "not one of gapward's") {
		t.Errorf("refused with %q", err)
	}
	if left, _ := filepath.Glob(path + ".damaged*"); len(left) != 0 {
		t.Errorf("a sound file was set aside as %q", left)
	}
}

func TestSecondDaemonIsRefused(t *testing.T) {
	dir := t.TempDir()
	d := openAt(t, dir)
	err := openFails(t, dir)
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) || !strings.Contains(err.Error(), dir) {
		t.Errorf("refused with %q; want the process and the directory named", err)
	}
	commit(t, d, wholeBatch()) // the first is none the worse for it
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	openAt(t, dir)
}

func TestDataDirectoryThatCannotBe(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := openFails(t, filepath.Join(file, "data")); !strings.Contains(err.Error(), "data directory") {
		t.Errorf("refused with %q", err)
	}
}

func TestDataDirectoryIsPrivate(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	openAt(t, dir)
	info, err := os.Stat(dir)
	if err != nil || info.Mode().Perm()&^fs.FileMode(0o750) != 0 {
		t.Errorf("the data directory has mode %v (%v), want 0750 at most", info.Mode(), err)
	}
}

// TestDamagedDatabaseIsSetAside spoils a database in the ways that a dying card
// does.
func TestDamagedDatabaseIsSetAside(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, path string, content []byte) []byte
	}{
		{"no database at all", func(*testing.T, string, []byte) []byte { return []byte(strings.Repeat("not a database. ", 300)) }},
		{"schema overwritten", func(_ *testing.T, _ string, content []byte) []byte {
			return append(append(content[:100:100], bytes.Repeat([]byte{0xa5}, 3000)...), content[3100:]...)
		}},
		{"cut short", func(_ *testing.T, _ string, content []byte) []byte { return content[:len(content)/2] }},
		{"emptied", func(*testing.T, string, []byte) []byte { return nil }},
		{"pages overwritten, found by the check after a bad stop", func(t *testing.T, path string, content []byte) []byte {
			note := filepath.Join(filepath.Dir(path), suspectName)
			if err := os.WriteFile(note, nil, 0o600); err != nil {
				t.Fatal(err)
			}
			half := len(content) / 2 / 4096 * 4096
			return append(append(content[:half:half], bytes.Repeat([]byte{0xa5}, 8192)...), content[half+8192:]...)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			d := openAt(t, dir)
			var b Batch
			for i := range 1000 {
				b.Cycles = append(b.Cycles, cycleAt(mainBrake, i))
			}
			commit(t, d, &b)
			if err := d.Close(); err != nil {
				t.Fatal(err)
			}
			content, err := os.ReadFile(d.path)
			if err != nil {
				t.Fatal(err)
			}
			spoilt := c.spoil(t, d.path, content)
			if err := os.WriteFile(d.path, spoilt, 0o600); err != nil {
				t.Fatal(err)
			}

			var log bytes.Buffer
			d, err = Open(t.Context(), dir, slog.New(slog.NewTextHandler(&log, nil)))
			if err != nil {
				t.Fatal(err)
			}
			kept, err := os.ReadFile(d.SetAside())
			if err != nil || !bytes.Equal(kept, spoilt) {
				t.Errorf("the damaged file is not kept as it was (%v)", err)
			}
			if !strings.Contains(log.String(), d.SetAside()) {
				t.Errorf("the log doesn't name %s:\n%s", d.SetAside(), &log)
			}
			if got := must(d.CyclesAfter(t.Context(), 0, 10)); len(got) != 0 {
				t.Errorf("%d cycles in the new database", len(got))
			}
			commit(t, d, wholeBatch())
			if err := d.Close(); err != nil {
				t.Fatal(err)
			}
			d = openAt(t, dir)
			if d.SetAside() != "" || len(must(d.CyclesAfter(t.Context(), 0, 10))) != 3 {
				t.Errorf("the new database doesn't last: set aside %q", d.SetAside())
			}
		})
	}
}

// TestIDsGoOnAfterDamage wants ids, by which far ends know rows, and cursors to go
// on in the database that takes a damaged one's place, also over the next start.
func TestIDsGoOnAfterDamage(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	d := openAt(t, dir)
	b := wholeBatch()
	for i := range 1000 {
		b.Cycles = append(b.Cycles, cycleAt(mainBrake, 10+i))
	}
	commit(t, d, b)
	if err := d.SetCursors(ctx, map[string]int64{"influx/cycles": 900, "influx/alarms": 5}); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(d.path)
	if err != nil {
		t.Fatal(err)
	}
	half := len(content) / 2 / 4096 * 4096
	if err := os.WriteFile(d.path, append(append(content[:half:half], bytes.Repeat([]byte{0xa5}, 4096)...), content[half+4096:]...), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, suspectName), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, start := range []string{"the start that finds it", "the next"} {
		d = openAt(t, dir)
		if aside := d.SetAside() != ""; aside != (start != "the next") {
			t.Fatalf("%s sets aside %q", start, d.SetAside())
		}
		if d.next != (nextIDs{cycle: 1004, forecast: 4, alarm: 6, rev: 3, entry: 1}) {
			t.Errorf("%s goes on with %+v", start, d.next)
		}
		if at := must(d.Cursors(ctx, "influx/")); at["influx/cycles"] != 900 || at["influx/alarms"] != 5 {
			t.Errorf("%s has the cursors %v", start, at)
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
	}
	d = openAt(t, dir)
	more := Batch{Cycles: []CycleRow{cycleAt(mainBrake, 5000)}}
	commit(t, d, &more)
	if more.Cycles[0].ID != 1004 || len(must(d.CyclesAfter(ctx, 900, 10))) != 1 {
		t.Errorf("the next cycle is %d", more.Cycles[0].ID)
	}
	// Begun anew while it runs, and stopped before anything is stored.
	if err := os.Remove(d.path); err != nil {
		t.Fatal(err)
	}
	if r, err := d.Renew(ctx, false); err != nil || !r.Empty {
		t.Fatalf("%+v, %v", r, err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if d = openAt(t, dir); d.next.cycle != 1005 {
		t.Errorf("after a restart cycle %d is next, want 1005", d.next.cycle)
	}
}

// TestDamageFoundWhileRunning wants damage in the middle of a file, which a
// quick start doesn't see, to be noted when a read meets it and set aside at
// the next start.
func TestDamageFoundWhileRunning(t *testing.T) {
	dir := t.TempDir()
	d := openAt(t, dir)
	var b Batch
	for i := range 3000 {
		b.Cycles = append(b.Cycles, cycleAt(mainBrake, i))
	}
	commit(t, d, &b)
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(d.path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(bytes.Repeat([]byte{0xa5}, 10*4096), info.Size()/2/4096*4096); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}

	d = openAt(t, dir)
	if d.SetAside() != "" {
		t.Skip("the start found the damage itself")
	}
	if err := d.EachCycle(t.Context(), map[string]int64{mainBrake: 0}, func(CycleRow) error { return nil }); !isDamage(err) {
		t.Fatalf("reading everything met %v, want damage", err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if d = openAt(t, dir); d.SetAside() == "" {
		t.Error("the next start took the damaged file again")
	}
}

func TestReadOnly(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	if _, err := OpenReadOnly(ctx, dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("opening nothing for reading: %v", err)
	}
	d := openAt(t, dir)
	commit(t, d, wholeBatch())
	look := func(when string, want int) {
		t.Helper()
		r, err := OpenReadOnly(ctx, dir)
		if err != nil {
			t.Fatalf("%s: %v", when, err)
		}
		if got := must(r.CyclesAfter(ctx, 0, 10)); len(got) != want {
			t.Errorf("%s: %d cycles, want %d", when, len(got), want)
		}
		for what, err := range map[string]error{
			"Commit": r.Commit(ctx, wholeBatch()), "SetCursor": r.SetCursor(ctx, "x/cycles", 1), "Checkpoint": r.Checkpoint(ctx),
		} {
			if !errors.Is(err, ErrReadOnly) {
				t.Errorf("%s: %s answered %v", when, what, err)
			}
		}
		if _, err := r.read.Exec("DELETE FROM alarms"); err == nil {
			t.Errorf("%s: a row could be deleted", when)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
	look("beside the daemon", 3)
	commit(t, d, &Batch{Cycles: []CycleRow{cycleAt(mainBrake, 9)}})
	look("after another commit", 4)
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	look("after the daemon", 4)
}

func TestBackup(t *testing.T) {
	ctx := t.Context()
	d := openAt(t, t.TempDir())
	commit(t, d, wholeBatch())
	dir := t.TempDir()
	path := filepath.Join(dir, databaseName)
	if err := d.Backup(ctx, path); err != nil {
		t.Fatal(err)
	}
	if err := d.Backup(ctx, path); !errors.Is(err, fs.ErrExist) {
		t.Errorf("a second backup to the same path: %v", err)
	}
	commit(t, d, &Batch{Cycles: []CycleRow{cycleAt(mainBrake, 9)}})
	b := openAt(t, dir)
	wantSame(t, "the backup's cycles", must(b.CyclesAfter(ctx, 0, 10)), must(d.CyclesAfter(ctx, 0, 3)))
	wantSame(t, "the backup's alarms", must(b.AlarmStates(ctx)), must(d.AlarmStates(ctx)))
	left, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range left {
		if strings.HasSuffix(f.Name(), ".partial") {
			t.Errorf("%s is left over", f.Name())
		}
	}
}

// What is committed outlasts a power cut, which no test here can cause: SQLite is
// asked whether it syncs each commit. 2 is FULL, 1 NORMAL.
func TestEachCommitIsSynced(t *testing.T) {
	d := openAt(t, t.TempDir())
	for _, c := range []struct {
		name string
		db   *sql.DB
		want string
	}{{"the writer's", d.write, "wal 2"}, {"the cursors'", d.light, "wal 1"}} {
		var mode, synchronous string
		if err := c.db.QueryRow("SELECT journal_mode, synchronous FROM pragma_journal_mode, pragma_synchronous").Scan(&mode, &synchronous); err != nil {
			t.Fatal(err)
		}
		if got := mode + " " + synchronous; got != c.want {
			t.Errorf("%s connection has %s, want %s", c.name, got, c.want)
		}
	}
}

func TestCheckpointCutsTheLog(t *testing.T) {
	d := openAt(t, t.TempDir())
	for i := range 20 {
		commit(t, d, &Batch{Cycles: []CycleRow{cycleAt(mainBrake, i)}})
	}
	if err := d.Checkpoint(t.Context()); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(d.path + "-wal"); err != nil || info.Size() != 0 {
		t.Errorf("the log has %d bytes after a checkpoint (%v)", info.Size(), err)
	}
	// A reader that holds the log is told of, not waited for without end.
	rows, err := d.read.QueryContext(t.Context(), "SELECT id FROM cycles")
	if err != nil {
		t.Fatal(err)
	}
	rows.Next()
	commit(t, d, &Batch{Cycles: []CycleRow{cycleAt(mainBrake, 99)}})
	if _, err := d.write.Exec("PRAGMA busy_timeout = 10"); err != nil {
		t.Fatal(err)
	}
	if err := d.Checkpoint(t.Context()); err == nil || !strings.Contains(err.Error(), "reader") {
		t.Errorf("a checkpoint past a reader: %v", err)
	}
	if err := rows.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestCommitAfterItsContext(t *testing.T) {
	d := openAt(t, t.TempDir())
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := d.Commit(ctx, wholeBatch()); !errors.Is(err, context.Canceled) {
		t.Errorf("it committed, or failed with %v", err)
	}
	b := wholeBatch()
	commit(t, d, b)
	if b.Cycles[0].ID != 1 {
		t.Errorf("the first id is %d", b.Cycles[0].ID)
	}
}

func FuzzUnpackWaveform(f *testing.F) {
	good, err := new(packer).pack(wholeBatch().Waveforms[0].Waveform)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte{})
	f.Add(good[:len(good)/2])
	f.Fuzz(func(t *testing.T, packed []byte) {
		times, travel, err := unpackWaveform(packed)
		if err != nil {
			return
		}
		again, err := new(packer).pack(analysis.Waveform{TimesNS: times, TravelMM: travel})
		if err != nil {
			t.Fatal(err)
		}
		times2, travel2, err := unpackWaveform(again)
		if err != nil || !same(times, times2) || !same(travel, travel2) {
			t.Errorf("packed again it differs: %v", err)
		}
	})
}

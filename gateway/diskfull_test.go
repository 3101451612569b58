package gateway_test

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway"
	"gapward/gateway/store"
)

// smallDisk is a file system of its own of a few megabytes.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=3m", "gapward-test", dir).CombinedOutput(); err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("mounting a small file system: %v: %s", err, out)
		}
		t.Skipf("a small file system can't be mounted here: %v", err)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("unmounting: %v: %s", err, out)
		}
	})
	return dir
}

// fill takes all that is left of the disk.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, size := range []int{1 << 16, 4096, 64} {
		for block := make([]byte, size); ; {
			if _, err := f.Write(block); err != nil {
				break // it is full
			}
		}
	}
}

// fullFor is how long the disk stays full: minutes on request, and long enough for
// each brake to run some times, which are three seconds apart on the average.
func fullFor() time.Duration {
	if d, err := time.ParseDuration(os.Getenv("GAPWARD_DISK_FULL")); err == nil {
		return d
	}
	return 25 * time.Second
}

// TestDiskFull fills the disk under a running daemon and makes room again: it
// measures on, says what is wrong, goes on storing by itself and has lost
// nothing.
func TestDiskFull(t *testing.T) {
	disk := smallDisk(t)
	s := newStage(t, disk)
	record := filepath.Join(t.TempDir(), "record") // on another disk
	d := startDaemon(t, s, record)
	get := func(path string) (int, string) {
		resp, err := http.Get("http://" + d.addr + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	alarm := func(active string) bool {
		_, body := get("/metrics")
		return strings.Contains(body, `gapward_alarm_active{brake="",condition="gateway-fault"} `+active)
	}
	eventually(t, "first cycles", func() bool { return len(storedLines(t, s.site.Data)["cycle"]) >= 2 })
	if !alarm("0") {
		t.Error("before anything is wrong the gateway's alarm isn't there as 0")
	}

	ballast := filepath.Join(disk, "ballast")
	fill(t, ballast)
	full := time.Now()
	eventually(t, "the alarm, while nothing can be stored", func() bool {
		fill(t, ballast+"2") // what the log gave back in between
		return alarm("1")
	})
	for path, want := range map[string]string{"/": "the database takes nothing", "/readyz": "store: since", "/api/alarms": "gateway-fault"} {
		if _, body := get(path); !strings.Contains(body, want) {
			t.Errorf("with the disk full %s doesn't say %q", path, want)
		}
	}
	if code, _ := get("/healthz"); code != 200 {
		t.Errorf("with the disk full /healthz answers %d: measuring goes on and a restart would not help", code)
	}
	time.Sleep(fullFor())
	room := time.Now() // before the first of the two, whose going may already be room enough
	for _, path := range []string{ballast, ballast + "2"} {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "ready again", func() bool { code, _ := get("/readyz"); return code == 200 && alarm("0") })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}

	db, err := store.OpenReadOnly(context.Background(), s.site.Data)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	cycles, err := db.CyclesAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	during := map[string]int{}
	for i, c := range cycles {
		if c.ID != int64(i+1) {
			t.Fatalf("cycle %d has id %d", i+1, c.ID)
		}
		if c.AtNS > full.UnixNano() && c.AtNS < room.UnixNano() {
			during[c.Brake]++
		}
	}
	for _, b := range s.site.Brakes {
		if during[b.Name] < 1 {
			t.Errorf("only %d cycles of %s in the %v of a full disk", during[b.Name], b.Name, room.Sub(full))
		}
	}
	// All that was measured meanwhile is there, to the bit: what the recording
	// gives when it is replayed.
	var out bytes.Buffer
	if err := gateway.Replay(t.Context(), s.site, gateway.Recording{Samples: []string{record}}, &out, nil); err != nil {
		t.Fatal(err)
	}
	live, replayed := storedLines(t, s.site.Data), byType(t, out.Bytes())
	for _, kind := range []string{"cycle", "forecast"} {
		if a, b := strings.Join(live[kind], ""), strings.Join(replayed[kind], ""); a != b {
			t.Errorf("%ss differ: stored\n%s\nreplayed\n%s", kind, a, b)
		}
	}

	events, err := db.AlarmsAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	var own []alerts.Event
	for _, e := range events {
		if e.Brake == "" {
			own = append(own, e.Event)
		}
	}
	if len(own) != 2 || own[0].Change != alerts.Raised || own[1].Change != alerts.Cleared || own[0].Condition != analysis.GatewayFault {
		t.Fatalf("the gateway's alarm is stored as %+v", own)
	}
	if at := time.Unix(0, own[0].AtNS); at.Before(full) || at.After(room) || !strings.Contains(own[0].Detail, "full") {
		t.Errorf("raised at %v for %q; the disk was full from %v to %v", at, own[0].Detail, full, room)
	}
	// The time is that of the turn in which storing worked again, which may have
	// begun before there was room.
	if at := time.Unix(0, own[1].AtNS); at.Before(room.Add(-2*time.Second)) || own[1].SinceNS != own[0].AtNS {
		t.Errorf("cleared at %v, since %d; there was room from %v", at, own[1].SinceNS, room)
	}
	t.Logf("full for %v: %v cycles of that time are stored as a replay has them; told %q, and over %v after there was room",
		room.Sub(full).Round(time.Second), during, own[0].Detail, time.Unix(0, own[1].AtNS).Sub(room).Round(100*time.Millisecond))
}

// TestStartsOnAFullDisk starts the daemon where it has run before and there is
// no room any more: it measures, says what is wrong, and stores what it has
// measured once there is.
func TestStartsOnAFullDisk(t *testing.T) {
	disk := smallDisk(t)
	s := newStage(t, disk)
	cycles := func() int { return len(storedLines(t, s.site.Data)["cycle"]) }
	d := startDaemon(t, s, "")
	eventually(t, "first cycles", func() bool { return cycles() >= 2 })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	ballast := filepath.Join(disk, "ballast") // nobody else has opened the database: a reader would leave files behind
	fill(t, ballast)

	d = startDaemon(t, s, "")
	ready := func() string {
		resp, err := http.Get("http://" + d.addr + "/readyz")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(body)
	}
	eventually(t, "it says that the disk is full", func() bool {
		fill(t, ballast+"2") // what was given back in between
		return strings.Contains(ready(), "full")
	})
	full := time.Now()
	time.Sleep(5 * time.Second)
	for _, path := range []string{ballast, ballast + "2"} {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "ready again", func() bool { return ready() == "ready\n" })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	db, err := store.OpenReadOnly(t.Context(), s.site.Data)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.CyclesAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	during := 0
	for i, c := range rows {
		if c.ID != int64(i+1) {
			t.Fatalf("cycle %d has id %d", i+1, c.ID)
		}
		if c.AtNS > full.UnixNano() && c.AtNS < full.Add(4*time.Second).UnixNano() {
			during++
		}
	}
	if during == 0 {
		t.Error("no cycle of the time of the full disk is stored")
	}
}

// TestFirstStartOnAFullDisk refuses in words, for there is nothing yet to go on
// from, and leaves nothing behind that the next start could take for a damaged
// database.
func TestFirstStartOnAFullDisk(t *testing.T) {
	disk := smallDisk(t)
	ballast, dir := filepath.Join(disk, "ballast"), filepath.Join(disk, "data")
	if err := os.Mkdir(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	fill(t, ballast)
	for range 2 {
		db, err := store.Open(t.Context(), dir, logTo(t))
		if err == nil {
			t.Fatal("a database was made without room", db.Close())
		}
		if !strings.Contains(err.Error(), "no room on the disk") {
			t.Errorf("it says %v", err)
		}
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	db, err := store.Open(t.Context(), dir, logTo(t))
	if err != nil {
		t.Fatal(err)
	}
	if aside := db.SetAside(); aside != "" {
		t.Errorf("set aside %s", aside)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}

	// Once there is one, it is opened without room, even where there is none for
	// the name of who has it …
	lock := filepath.Join(dir, "gapward.lock")
	if err := os.Truncate(lock, 0); err != nil {
		t.Fatal(err)
	}
	fill(t, ballast)
	if db, err = store.Open(t.Context(), dir, logTo(t)); err != nil {
		t.Fatalf("a database that is there isn't opened on a full disk: %v", err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
	// … but for one that was put back without the log's files, which is said.
	for _, name := range []string{"gapward.db-wal", "gapward.db-shm"} {
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	fill(t, ballast+"2")
	if _, err := store.Open(t.Context(), dir, logTo(t)); err == nil || !strings.Contains(err.Error(), "no room on the disk") {
		t.Errorf("without the log's files it says %v", err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if db, err = store.Open(t.Context(), dir, logTo(t)); err != nil || db.SetAside() != "" {
		t.Fatalf("with room again: %v", err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
}

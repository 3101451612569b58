package gateway_test

import (
	"encoding/json"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gapward/gateway/page"
	"gapward/gateway/report"
)

// spoil writes noise over a file from an offset on.
func spoil(t *testing.T, path string, from int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() <= from {
		t.Fatalf("%s has only %d bytes", path, info.Size())
	}
	noise := make([]byte, info.Size()-from)
	random := rand.New(rand.NewPCG(3, 3))
	for i := range noise {
		noise[i] = byte(random.Uint32())
	}
	if _, err := f.WriteAt(noise, from); err != nil {
		t.Fatal(err)
	}
}

// got is the body of an answer, empty where there is none.
func got(t *testing.T, addr, path string) (int, string) {
	t.Helper()
	resp, err := http.Get("http://" + addr + path)
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

// newestID is the highest id of a cycle that the page shows of a brake, and how
// many it shows.
func shownCycles(t *testing.T, addr string) int {
	t.Helper()
	_, text := got(t, addr, "/api/cycles/quay-2/main?limit=1000")
	var body struct{ Cycles []json.RawMessage }
	if json.Unmarshal([]byte(text), &body) != nil {
		return 0
	}
	return len(body.Cycles)
}

func asideFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.damaged-*"))
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, f := range files {
		if !strings.HasSuffix(f, "-wal") {
			list = append(list, f)
		}
	}
	return list
}

// The database's pages are written over under a running daemon: it sets the
// file aside, says so, and measures on into a fresh one without a restart. Then
// the file is taken away altogether, and the daemon notices that as well.
func TestDatabaseDamagedWhileRunning(t *testing.T) {
	s := newStage(t, t.TempDir())
	d := startDaemon(t, s, "")
	file := filepath.Join(s.site.Data, "gapward.db")
	eventually(t, "first cycles", func() bool { return shownCycles(t, d.addr) >= 3 })

	for _, name := range []string{file, file + "-wal"} {
		spoil(t, name, 0)
	}
	alarm := func() string {
		_, text := got(t, d.addr, "/api/alarms")
		return text
	}
	eventually(t, "the alarm", func() bool { return strings.Contains(alarm(), "damaged while gapward ran") })
	aside := asideFiles(t, s.site.Data)
	if len(aside) != 1 || !strings.Contains(alarm(), filepath.Base(aside[0])) {
		t.Errorf("set aside as %v; the alarm is %s", aside, alarm())
	}
	eventually(t, "cycles in the fresh database", func() bool { return shownCycles(t, d.addr) >= 3 })
	eventually(t, "ready", func() bool { code, _ := got(t, d.addr, "/readyz"); return code == 200 })
	if code, text := got(t, d.addr, "/healthz"); code != 200 {
		t.Errorf("/healthz: %d %s", code, text)
	}
	if _, text := got(t, d.addr, "/metrics"); !strings.Contains(text, `gapward_alarm_active{brake="",condition="gateway-fault"} 1`) {
		t.Error("the metrics know nothing of it")
	}

	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	eventually(t, "a new file", func() bool { _, err := os.Stat(file); return err == nil })
	eventually(t, "the alarm of a file that is gone", func() bool { return strings.Contains(alarm(), "taken away while gapward ran") })
	eventually(t, "cycles in the new file", func() bool { return shownCycles(t, d.addr) >= 3 })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	// What is stored is whole, and numbered on from what was there before.
	stored := storedLines(t, s.site.Data)
	if len(stored["cycle"]) < 3 || len(stored["alarm"]) < 1 {
		t.Errorf("%d cycles and %d alarms are stored", len(stored["cycle"]), len(stored["alarm"]))
	}
}

// At a start a damaged database is set aside, and what can be read of the
// ledger is taken over.
func TestDatabaseDamagedAtStart(t *testing.T) {
	dir := t.TempDir()
	addr, site, stop := quiet(t, dir)
	for range 3 {
		if _, err := page.SendEntry(t.Context(), page.LocalGateway{Listen: addr}, report.EntryBody{Site: "Test Quay", Brake: "quay-2/main", Kind: "adjustment", Steps: 1, Who: "K. Berg"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(site.Data, "gapward.db")
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	// The last page is that of an index made last; the ledger lies before.
	spoil(t, file, info.Size()-4096)
	if err := os.WriteFile(filepath.Join(site.Data, "gapward.suspect"), nil, 0o640); err != nil {
		t.Fatal(err)
	}
	addr, _, stop = quiet(t, dir)
	aside := asideFiles(t, site.Data)
	if len(aside) != 1 {
		t.Fatalf("set aside: %v", aside)
	}
	if _, text := got(t, addr, "/api/alarms"); !strings.Contains(text, filepath.Base(aside[0])) || !strings.Contains(text, "3 entries of the ledger saved") {
		t.Errorf("the alarm is %s", text)
	}
	if _, text := got(t, addr, "/api/ledger?brake=quay-2/main"); strings.Count(text, `"kind":"adjustment"`) != 3 {
		t.Errorf("the ledger is %s", text)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
}

package gateway

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"gapward/configs"
)

const oneBrake = `
site: Kestrel Quay
data: ./gapward-data
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 250ms, set: 300ms}
    signals:
      travel: {}
      drive: {}
`

// cyclesFile writes so many measured cycles of one brake, adjusted whenever its
// limit is reached.
func cyclesFile(tb testing.TB, n int) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "cycles.csv")
	f, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	w := bufio.NewWriter(f)
	r := rand.New(rand.NewPCG(1, 2))
	at := time.Date(2016, 1, 4, 6, 0, 0, 0, time.UTC)
	gap := 1.6
	fmt.Fprintln(w, "time,brake,gap_mm,gap_u_mm,release_ms,set_ms")
	for i := range n {
		if i%400 == 399 {
			at = at.Add(8 * time.Hour)
		}
		at = at.Add(2 * time.Minute)
		if gap += 2e-5; gap > 2.75 {
			gap = 1.6
		}
		if r.Float64() < 0.15 {
			fmt.Fprintf(w, "%s,quay-2/main,,,,\n", at.Format(time.RFC3339))
			continue
		}
		fmt.Fprintf(w, "%s,quay-2/main,%.4f,0.01,%.1f,%.1f\n", at.Format(time.RFC3339), gap+0.01*r.NormFloat64(), 150+3*r.NormFloat64(), 170+3*r.NormFloat64())
	}
	if err := w.Flush(); err != nil {
		tb.Fatal(err)
	}
	return path
}

// siteOf loads a site file given as text.
func siteOf(tb testing.TB, text string) *configs.Site {
	tb.Helper()
	site, problems := configs.Parse("site.yaml", []byte(text), configs.Replay)
	if len(problems) > 0 {
		tb.Fatal(problems)
	}
	return site
}

// A replay of a million cycles takes no more memory than one of a tenth of
// them. How long it takes is told beside the time that reading the same file
// with encoding/csv takes, and is not judged: the machine may be busy.
func TestReplayOfAMillionCycles(t *testing.T) {
	n := 1_000_000
	if testing.Short() {
		n = 100_000
	}
	path, site := cyclesFile(t, n), siteOf(t, oneBrake)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	began := time.Now()
	readCSV(t, path)
	floor := time.Since(began)

	var tenth, most uint64
	var m runtime.MemStats
	calls := 0
	began = time.Now()
	err := Replay(context.Background(), site, Recording{Cycles: path}, io.Discard, func(bytes int64) {
		if calls++; calls%24 == 0 {
			runtime.GC()
			runtime.ReadMemStats(&m)
			if tenth == 0 {
				tenth = m.HeapAlloc
			}
			most = max(most, m.HeapAlloc)
		}
	})
	took := time.Since(began)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d cycles in %.2f s on one core, %.1f times as long as encoding/csv takes to read them", n, took.Seconds(), took.Seconds()/floor.Seconds())
	t.Logf("heap %.2f MB at the beginning and %.2f MB at most", float64(tenth)/1e6, float64(most)/1e6)
	if tenth == 0 || most > tenth+1e6 {
		t.Errorf("the heap grew from %d to %d bytes", tenth, most)
	}
}

// readCSV reads a file's rows and forgets them.
func readCSV(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.ReuseRecord = true
	for {
		if _, err := r.Read(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

package export

import (
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"

	"gapward/sensors"
)

// nowhere takes an answer and keeps nothing of it.
type nowhere struct{ header http.Header }

func (n nowhere) Header() http.Header         { return n.header }
func (n nowhere) Write(b []byte) (int, error) { return len(b), nil }
func (n nowhere) WriteHeader(int)             {}

// A scrape of a large site is written bit by bit, for thirty thousand series in
// memory would be most of what the daemon holds. Yet each family is whole.
func TestScrapesOfManyBrakesTakeLittleMemory(t *testing.T) {
	var infos []BrakeInfo
	for i := range 1000 {
		info := siteBrakes()[0]
		info.Name = fmt.Sprintf("hall-%d/hoist", i)
		infos = append(infos, info)
	}
	m := NewMetrics(infos, "1")
	text := scrape(t, m)
	if got, want := strings.Count(text, "\ngapward_alarm_active{"), len(m.gateway)+len(infos)*len(brakeConditions); got != want {
		t.Errorf("there are %d states of alarms, want %d", got, want)
	}
	noneTwice(t, text)
	h := m.Handler(testLog(t))
	one := func() uint64 {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		h.ServeHTTP(nowhere{http.Header{}}, httptest.NewRequest("GET", "/metrics", nil))
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	if made := min(one(), one(), one()); made > 1<<20 {
		t.Errorf("a scrape takes %d kB", made>>10)
	}
}

func TestScrapesAreCompressedForWhoTakesIt(t *testing.T) {
	m := NewMetrics(siteBrakes(), "1")
	get := func(accept string) (text, encoding string) {
		rec, r := httptest.NewRecorder(), httptest.NewRequest("GET", "/metrics", nil)
		r.Header.Set("Accept-Encoding", accept)
		m.Handler(testLog(t)).ServeHTTP(rec, r)
		var body io.Reader = rec.Body
		if encoding = rec.Header().Get("Content-Encoding"); encoding == "gzip" {
			unpacked, err := gzip.NewReader(body)
			if err != nil {
				t.Fatal(err)
			}
			body = unpacked
		}
		all, err := io.ReadAll(body)
		if err != nil {
			t.Fatal(err)
		}
		return string(all), encoding
	}
	for accept, want := range map[string]string{"gzip": "gzip", "deflate, gzip;q=0.5": "gzip", "gzip;q=0": "", "": "", "zstd": ""} {
		if text, encoding := get(accept); encoding != want || !strings.Contains(text, "\ngapward_cycles_total") || !strings.Contains(text, "\ngo_info") {
			t.Errorf("to %q the answer is in %q: %d bytes", accept, encoding, len(text))
		}
	}
}

// A label's value may hold anything. Two names that look alike as values are one
// series: a second one would fail the whole scrape.
func TestLabelsAreEscaped(t *testing.T) {
	m := NewMetrics([]BrakeInfo{{Name: "a \"b\" \\ c\nd"}, {Name: "x\xff"}, {Name: "x\xfe"}}, "1")
	m.SetSignal("x\xfe", sensors.Drive, true)
	text := scrape(t, m)
	for _, line := range []string{`gapward_cycles_total{brake="a \"b\" \\ c\nd",kind="full"} 0`, "gapward_signal_good{brake=\"x\uFFFD\",signal=\"drive\"} 1"} {
		if n := strings.Count(text, line+"\n"); n != 1 {
			t.Errorf("there are %d lines %s", n, line)
		}
	}
	noneTwice(t, text)
}

// noneTwice fails where a series, or what a family is, stands twice.
func noneTwice(t *testing.T, text string) {
	t.Helper()
	seen := map[string]bool{}
	for line := range strings.Lines(text) {
		if seen[line] {
			t.Errorf("twice: %s", line)
		}
		seen[line] = true
	}
}

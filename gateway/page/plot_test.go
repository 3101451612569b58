package page

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/xml"
	"errors"
	"html"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// wellFormed reads an SVG to its end and gives its texts.
func wellFormed(t *testing.T, svg []byte) (texts string) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(svg))
	var all []string
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return strings.Join(all, "|")
		}
		if err != nil {
			t.Fatalf("the plot is no XML: %v", err)
		}
		if c, ok := token.(xml.CharData); ok && strings.TrimSpace(string(c)) != "" {
			all = append(all, strings.TrimSpace(string(c)))
		}
	}
}

func TestGapPlotNamesWhatItShows(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	for _, address := range []string{"/plot/gap/quay-1/main.svg?span=90d&v=1", "/plot/gap/quay-1/main.svg?span=all&narrow=1", "/plot/gap/pit/hoist.svg", "/plot/gap/quay-1/creep.svg?span=7d"} {
		w := get(s, address)
		if w.Code != 200 || w.Header().Get("Content-Type") != "image/svg+xml" {
			t.Fatalf("%s: status %d, %v", address, w.Code, w.Header())
		}
		texts := wellFormed(t, w.Body.Bytes())
		for _, want := range []string{"air gap, mm", "date, UTC", "min ", "target ", "adjust ", "max "} {
			if !strings.Contains(texts, want) {
				t.Errorf("%s doesn't name %q: %s", address, want, texts)
			}
		}
		svg := w.Body.String()
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") || strings.Contains(svg, "#01") {
			t.Errorf("%s has a place or a colour that is none", address)
		}
		if strings.Contains(texts, "now") != strings.Contains(address, "quay-1/main") {
			t.Errorf("%s: a forecast is drawn where there is none, or not where there is one: %s", address, texts)
		}
	}
	if got, want := get(s, "/plot/gap/quay-1/main.svg?v=1").Header().Get("Cache-Control"), "private, max-age=86400"; got != want {
		t.Errorf("a plot with its version may be kept %q, want %q", got, want)
	}
}

func TestPlotsAreKeptAndBounded(t *testing.T) {
	var c plotCache
	drawn := 0
	paint := func() ([]byte, error) { drawn++; return []byte("x"), nil }
	for range 3 {
		if _, err := c.get("a", paint); err != nil {
			t.Fatal(err)
		}
	}
	if drawn != 1 {
		t.Errorf("one plot was drawn %d times", drawn)
	}
	if _, err := c.get("b", func() ([]byte, error) { return nil, errBroken }); !errors.Is(err, errBroken) {
		t.Errorf("got %v", err)
	}
	for i := range 3 * keptPlots {
		if _, err := c.get(string(rune(1000+i)), paint); err != nil {
			t.Fatal(err)
		}
	}
	if len(c.drawn) > keptPlots || len(c.order) != len(c.drawn) {
		t.Errorf("%d plots are kept in %d places", len(c.drawn), len(c.order))
	}
}

func TestGapPlotIsDrawnAnewForANewCycle(t *testing.T) {
	deps, data := harbourSite(t)
	s := serverOf(t, deps)
	const address = "/plot/gap/quay-1/main.svg"
	first := get(s, address).Body.String()
	if get(s, address).Body.String() != first {
		t.Error("the same plot was drawn in two ways")
	}
	data.change(func() {
		c := data.cycles["quay-1/main"][0]
		c.ID, c.AtNS, c.GapMM = 99_999, ago(time.Minute), 3.1
		data.cycles["quay-1/main"] = append(data.cycles["quay-1/main"], store.CycleRow{ID: c.ID, Brake: c.Brake, Cycle: c.Cycle})
	})
	if get(s, address).Body.String() == first {
		t.Error("a new cycle didn't change the plot")
	}
}

// thinking has verdicts and no cycle: what is thought of a gap between readings.
type thinking struct{ Data }

func (thinking) Filtered(context.Context, string, int64, int64, int) ([]store.FilteredGap, error) {
	at := noon().AddDate(0, 0, -9).UnixNano()
	return []store.FilteredGap{{AtNS: at, MM: 70, UMM: 5}, {AtNS: at + 1e9, MM: 70, UMM: 5}}, nil
}

// What is read by hand is drawn, also where nothing else was measured, and an
// entry changes the plot at once: its address, and so what a browser keeps.
func TestHandReadingsAreDrawn(t *testing.T) {
	s, l := ledgerSite(t)
	now := s.deps.Now()
	page := func() (body, address string) {
		t.Helper()
		body = get(s, "/brake/pit/hoist").Body.String()
		if _, rest, ok := strings.Cut(body, `"/plot/gap/pit/hoist.svg?`); ok {
			address, _, _ = strings.Cut(rest, `"`)
			address = "/plot/gap/pit/hoist.svg?" + html.UnescapeString(address)
		}
		return body, address
	}
	if body, address := page(); address != "" || !strings.Contains(body, "No gap was measured in this span.") {
		t.Fatalf("nothing was measured, and yet there is a plot: %s", address)
	}
	read := func(daysAgo int, mm float64) {
		t.Helper()
		e := analysis.NewEntry(analysis.Reading, now.AddDate(0, 0, -daysAgo).UnixNano(), "K. Berg")
		e.GapMM, e.GapUMM, e.Repeats = mm, 0.03, 3
		if _, err := l.Enter(t.Context(), store.LedgerRow{Brake: "pit/hoist", Entry: e}); err != nil {
			t.Fatal(err)
		}
	}
	read(200, 0.6) // before the span
	if _, address := page(); address != "" {
		t.Errorf("a reading of 200 days ago is drawn among the latest 90: %s", address)
	}
	read(30, 0.7)
	s.deps.Data = thinking{s.deps.Data}
	body, first := page()
	if first == "" || strings.Contains(body, "No gap was measured") || strings.Contains(body, "Air gaps over time") {
		t.Fatalf("a reading isn't drawn, or stands beside an empty table: %q", first)
	}
	one := get(s, first).Body.String()
	read(3, 0.8)
	_, second := page()
	two := get(s, second).Body.String()
	if texts := wellFormed(t, []byte(two)); strings.Contains(texts, "80") {
		t.Errorf("what was thought of the gap makes the plot reach to 80 mm: %s", texts)
	}
	if first == second || strings.Count(two, "<path") <= strings.Count(one, "<path") {
		t.Errorf("another reading left the plot as it was: %s and %s", first, second)
	}
}

// The record draws what the page draws: work at the brake among it.
func TestTheRecordsPlotShowsWork(t *testing.T) {
	deps := everySite(t)
	deps.Accounts = nil
	s := serverOf(t, deps)
	record := ""
	for _, m := range regexp.MustCompile(`data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)`).FindAllStringSubmatch(html.UnescapeString(getHere(s, "/api/report?brake=quay-2/main&format=html").Body.String()), -1) {
		svg, err := base64.StdEncoding.DecodeString(m[1])
		if err != nil {
			t.Fatal(err)
		}
		record += string(svg)
	}
	plot := getHere(s, "/plot/gap/quay-2/main.svg?span=90d").Body.String()
	for name, text := range map[string]string{"the record": record, "the page": plot} {
		if !strings.Contains(text, ">adjusted<") || !strings.Contains(text, ">now<") {
			t.Errorf("the plot of %s doesn't mark the adjustment, or has no fan to the maximum of a brake that is due", name)
		}
	}
}

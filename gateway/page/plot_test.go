package page

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
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

func TestCyclePlotMarksTheMoments(t *testing.T) {
	nan := math.NaN()
	full := analysis.Cycle{OnNS: 2400e6, ReleaseS: 0.2, SetS: 0.24, SetLevelMM: 2, ReleasedLevelMM: 4.3}
	long := full
	long.OnNS = 45e9
	unmeasured := analysis.Cycle{OnNS: 2400e6, ReleaseS: nan, SetS: nan, SetLevelMM: nan, ReleasedLevelMM: nan}
	for _, c := range []struct {
		name string
		c    analysis.Cycle
		wave analysis.Waveform
		want []string
	}{
		{"full", full, stroke(full), []string{"drive on", "released", "drive off", "set", "travel, mm", "time since drive on, s"}},
		{"long, the movements apart", long, stroke(long), []string{"drive on", "released", "drive off", "set", "s since drive on", "45"}},
		{"unmeasured", unmeasured, stroke(full), []string{"drive on", "drive off"}},
		{"with bad readings", unmeasured, analysis.Waveform{TimesNS: []int64{0, 1e7, 2e7}, TravelMM: []float32{2, float32(nan), 2}, OffNS: 1e7}, []string{"drive on"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, sz := range []size{wideSize(), narrowSize()} {
				svg, err := cycleCurve("quay-1/main", c.wave, c.c, sz)
				if err != nil {
					t.Fatal(err)
				}
				texts := wellFormed(t, svg)
				for _, want := range c.want {
					if !strings.Contains(texts, want) {
						t.Errorf("the plot doesn't name %q: %s", want, texts)
					}
				}
				if strings.Contains(string(svg), "NaN") || strings.Contains(string(svg), "Inf") {
					t.Error("the plot has a place that is none")
				}
				if math.IsNaN(c.c.ReleaseS) && strings.Contains(texts, "released") {
					t.Error("the plot marks a release that wasn't measured")
				}
			}
		})
	}
	if _, err := cycleCurve("x", analysis.Waveform{}, full, wideSize()); err == nil {
		t.Error("a cycle without readings was drawn")
	}
}

func TestFanOfAForecast(t *testing.T) {
	nan := math.NaN()
	now := noon()
	h := func(p05, p50, p95 float64) gapHistory {
		return gapHistory{now: now, foretold: true, forecast: analysis.Forecast{AtNS: now.UnixNano(), GapMM: 2.3, LimitMM: 2.8,
			DateNS: analysis.Quantiles{P05: ahead(p05), P50: ahead(p50), P95: ahead(p95)}}}
	}
	const month = 30 * 86400
	start := sec(now.UnixNano())
	if f, ok := fanOf(h(10, 20, 25), start, month); !ok || f.early.Y != 2.8 || f.late.Y != 2.8 || f.late.X > f.end {
		t.Errorf("within the plot: %v %+v", ok, f)
	}
	if f, ok := fanOf(h(10, 60, 90), start, month); !ok || f.early.Y != 2.8 || math.Abs(f.middle.Y-2.55) > 0.01 || f.middle.X != f.end || f.late.Y >= f.middle.Y {
		t.Errorf("cut off at the plot's end: %v %+v", ok, f)
	}
	if _, ok := fanOf(h(10, nan, nan), start, month); ok {
		t.Error("a forecast without wear got a fan")
	}
	past := h(10, 20, 25)
	past.forecast.GapMM = 2.9
	if _, ok := fanOf(past, start, month); ok {
		t.Error("a limit already passed got a fan")
	}
}

func TestDateTicksAreWholeAndFew(t *testing.T) {
	zone := time.FixedZone("CET", 3600)
	from := time.Date(2026, 10, 29, 7, 13, 0, 0, zone)
	for _, length := range []time.Duration{time.Hour, 9 * time.Hour, 2 * day, 9 * day, 60 * day, 200 * day, 3 * 365 * day, 40 * 365 * day} {
		ticks := dateTicks{zone: zone, most: 6}.Ticks(sec(from.UnixNano()), sec(from.Add(length).UnixNano()))
		if len(ticks) < 1 || len(ticks) > 7 {
			t.Errorf("%v has %d ticks", length, len(ticks))
		}
		for _, tick := range ticks {
			at := time.Unix(int64(tick.Value), 0).In(zone)
			if at.Minute() != 0 || at.Before(from) || length > 3*day && at.Hour() != 0 {
				t.Errorf("%v has a tick at %v", length, at)
			}
		}
	}
}

func TestRoundTicks(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		most     int
		want     string
	}{{1.06, 3.53, 6, "1.5 2.0 2.5 3.0 3.5"}, {0, 10, 5, "0 2 4 6 8 10"}, {-0.5, 3.9, 7, "0 1 2 3"}, {0.001, 0.0035, 6, "0.0010 0.0015 0.0020 0.0025 0.0030 0.0035"}, {2, 2, 5, ""}} {
		var labels []string
		for _, tick := range (roundTicks{c.most}).Ticks(c.from, c.to) {
			labels = append(labels, tick.Label)
		}
		if got := strings.Join(labels, " "); got != c.want {
			t.Errorf("from %v to %v: %q, want %q", c.from, c.to, got, c.want)
		}
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

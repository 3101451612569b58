package figures

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// A plot of a gap shows what stands in the ledger, within its span.
func TestThePlotShowsTheLedger(t *testing.T) {
	at := func(days float64, k analysis.EntryKind, id, corrects int64) analysis.Entry {
		e := analysis.NewEntry(k, int64(ahead(-days)), "K. Berg")
		e.ID, e.Corrects, e.EnteredNS = id, corrects, e.AtNS
		if k == analysis.Reading {
			e.GapMM, e.GapUMM = 2.1, 0.03
		}
		if k == analysis.Adjustment {
			e.Steps = 1
		}
		return e
	}
	h := GapHistory{FromNS: int64(ahead(-90)), Until: noon()}
	h.AddLedger([]analysis.Entry{at(200, analysis.Adjustment, 1, 0), at(80, analysis.LiningFitted, 2, 0), at(40, analysis.Adjustment, 3, 0), at(30, analysis.Adjustment, 4, 0), at(30, analysis.CorrectionOnly, 5, 4),
		at(20, analysis.Reading, 6, 0), at(10, analysis.Retest, 7, 0)})
	if len(h.Works) != 2 || h.Works[0].Word != "new lining" || h.Works[1].Word != "adjusted" || len(h.ByHand) != 1 || h.ByHand[0].MM != 2.1 {
		t.Errorf("works %+v, readings %+v", h.Works, h.ByHand)
	}
}

// The fan leads to the limit that comes next: where adjusting is due already, to
// the maximum.
func TestTheFanLeadsToTheNextLimit(t *testing.T) {
	nan := math.NaN()
	forecast := func(limit, gap, p05, p50, p95 float64) *analysis.Forecast {
		return &analysis.Forecast{AtNS: int64(ahead(-0.1)), LimitMM: limit, GapMM: gap, GapUMM: 0.02, DateNS: analysis.Quantiles{P05: p05, P50: p50, P95: p95}}
	}
	for _, c := range []struct {
		name         string
		adjust, most *analysis.Forecast
		limit        float64 // 0: no fan
	}{
		{"wearing", forecast(2.8, 2.3, ahead(16), ahead(21), ahead(35)), forecast(3.4, 2.3, ahead(44), ahead(55), ahead(80)), 2.8},
		{"adjusting is due", forecast(2.8, 2.83, ahead(0), ahead(0), ahead(0)), forecast(3.4, 2.83, ahead(30), ahead(44), ahead(60)), 3.4},
		{"beyond the maximum", forecast(2.8, 3.5, ahead(0), ahead(0), ahead(0)), forecast(3.4, 3.5, ahead(0), ahead(0), ahead(0)), 0},
		{"no wear seen", forecast(2.8, 2.3, ahead(46), nan, nan), nil, 0},
		{"a new brake", nil, nil, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := GapHistory{Brake: "quay-2/main", Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}, FromNS: int64(ahead(-90)), Until: noon(),
				Points: []store.GapPoint{{AtNS: int64(ahead(-60)), MeanMM: 2, MinMM: 1.9, MaxMM: 2.1, Count: 40}, {AtNS: int64(ahead(-1)), MeanMM: 2.3, MinMM: 2.2, MaxMM: 2.4, Count: 40}}}
			h.Foresee(c.adjust, c.most)
			fan, has := fanOf(h, sec(h.Until.UnixNano()), 90*86400)
			if has != (c.limit != 0) || has && (fan.early.Y != c.limit || fan.middle.Y != c.limit) {
				t.Errorf("a fan %v to %v mm, want to %v", has, fan.middle.Y, c.limit)
			}
			svg, err := GapCurve(h, Wide())
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(string(svg), "NaN") || strings.Contains(string(svg), ">now<") != (c.limit != 0) {
				t.Errorf("the plot has a place that is none, or a fan where there is none")
			}
		})
	}
}

// However often a brake was adjusted, the words for it are legible: none lies on
// another.
func TestWordsForWorkLieApart(t *testing.T) {
	for _, days := range [][]float64{{10}, {1, 2, 3}, {300, 600, 900, 1200, 1500, 1800}, {5, 1995}} {
		h := GapHistory{Brake: "quay-2/main", Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}, FromNS: int64(ahead(-2000)), Until: noon(),
			Points: []store.GapPoint{{AtNS: int64(ahead(-2000)), MeanMM: 2, MinMM: 1.9, MaxMM: 2.1, Count: 40}, {AtNS: int64(ahead(-1)), MeanMM: 2.3, MinMM: 2.2, MaxMM: 2.4, Count: 40}}}
		for i := range days {
			h.Works = append(h.Works, WorkMark{int64(ahead(-days[len(days)-1-i])), "adjusted"})
		}
		for _, size := range []Size{Wide(), Narrow()} {
			svg, err := GapCurve(h, size)
			if err != nil {
				t.Fatal(err)
			}
			type place struct{ x, y float64 }
			var words []place
			for _, m := range regexp.MustCompile(`<text x="([-0-9.]+)" y="([-0-9.]+)"[^>]*>adjusted<`).FindAllStringSubmatch(string(svg), -1) {
				x, _ := strconv.ParseFloat(m[1], 64)
				y, _ := strconv.ParseFloat(m[2], 64)
				words = append(words, place{x, y})
			}
			if len(words) == 0 {
				t.Errorf("adjusted %v days ago: no word in a plot %v px wide", days, size.Width)
			}
			for i, a := range words {
				for _, b := range words[:i] {
					if math.Abs(a.y-b.y) < 12 && math.Abs(a.x-b.x) < 48 {
						t.Errorf("adjusted %v days ago, %v px wide: a word at %v lies on one at %v", days, size.Width, a, b)
					}
				}
			}
		}
	}
}

// The gap's plot shows what the filter made of the gaps as a band of its own,
// before the band of what was measured, and the forecast as a fan.
func TestTheGapPlotDrawsFilterAndFan(t *testing.T) {
	h := GapHistory{Brake: "quay-2/main", Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}, FromNS: int64(ahead(-90)), Until: noon(),
		Points: []store.GapPoint{{AtNS: int64(ahead(-60)), MeanMM: 2, MinMM: 1.9, MaxMM: 2.1, Count: 40}, {AtNS: int64(ahead(-1)), MeanMM: 2.3, MinMM: 2.2, MaxMM: 2.4, Count: 40}}}
	filtered := []store.FilteredGap{{AtNS: int64(ahead(-60)), MM: 2, UMM: 0.02}, {AtNS: int64(ahead(-30)), MM: 2.15, UMM: 0.02}, {AtNS: int64(ahead(-1)), MM: 2.3, UMM: 0.02}}
	forecast := analysis.Forecast{AtNS: int64(ahead(-0.1)), LimitMM: 2.8, GapMM: 2.3, GapUMM: 0.02, DateNS: analysis.Quantiles{P05: ahead(16), P50: ahead(21), P95: ahead(35)}}
	for _, c := range []struct {
		name             string
		filter, foretold bool
		bands, faint     int // areas of the one shade and of the other
	}{{"measured alone", false, false, 1, 0}, {"filtered", true, false, 1, 1}, {"foretold", false, true, 1, 1}, {"both", true, true, 1, 2}} {
		h := h
		if c.filter {
			h.Filtered = filtered
		}
		h.Forecast, h.Foretold = forecast, c.foretold
		svg, err := GapCurve(h, Size{Width: 560, Height: 330})
		if err != nil {
			t.Fatal(err)
		}
		if bands, faint := strings.Count(string(svg), "fill:var(--band)"), strings.Count(string(svg), "fill:var(--fan)"); bands != c.bands || faint != c.faint {
			t.Errorf("%s: %d areas of the band and %d of the fan, want %d and %d", c.name, bands, faint, c.bands, c.faint)
		}
	}
}

// While all is well a plot is grey; a limit has its colour where the latest isn't
// proven to keep it.
func TestALimitIsColouredWhereItIsReached(t *testing.T) {
	size := Size{Width: 560, Height: 330}
	coloured := func(svg []byte, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		words := ""
		for _, ink := range []string{"late", "over"} {
			if strings.Contains(string(svg), ":var(--"+ink+")") {
				words += ink + " "
			}
		}
		return words
	}
	for _, c := range []struct {
		before, gap, u float64
		want           string
	}{{2.9, 2.3, 0.02, ""}, {2.3, 2.78, 0.01, ""}, {2.3, 2.79, 0.01, "late "}, {2.3, 3.5, 0.01, "late over "}} {
		h := GapHistory{Brake: "quay-2/main", Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}, FromNS: int64(ahead(-90)), Until: noon(),
			Points:   []store.GapPoint{{AtNS: int64(ahead(-60)), MeanMM: c.before, MinMM: c.before, MaxMM: c.before, Count: 40}, {AtNS: int64(ahead(-1)), MeanMM: c.gap, MinMM: c.gap, MaxMM: c.gap, Count: 40}},
			Filtered: []store.FilteredGap{{AtNS: int64(ahead(-60)), MM: c.before, UMM: c.u}, {AtNS: int64(ahead(-1)), MM: c.gap, UMM: c.u}}}
		if got := coloured(GapCurve(h, size)); got != c.want {
			t.Errorf("%v ± %v mm has the colours %q, want %q", c.gap, c.u, got, c.want)
		}
	}
	times := func(latest float64) TimesHistory {
		h := TimesHistory{Brake: "quay-2/main", Timing: analysis.Timing{Release: 250 * time.Millisecond, Set: 300 * time.Millisecond}, Zone: time.UTC}
		for i := range 40 {
			c := analysis.Cycle{AtNS: int64(ahead(float64(i - 41))), ReleaseS: 0.18, SetS: 0.2}
			if i > 30 {
				c.ReleaseS = latest
			}
			if i == 39 {
				c.SetS = 0.4 // once
			}
			h.Cycles = append(h.Cycles, c)
		}
		return h
	}
	if got := coloured(TimesCurve(times(0.19), size)); got != "" {
		t.Errorf("times within their limits have the colours %q", got)
	}
	if got := coloured(TimesCurve(times(0.26), size)); got != "late " {
		t.Errorf("slow releases have the colours %q", got)
	}
}

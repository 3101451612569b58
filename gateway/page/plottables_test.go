package page

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// Whoever doesn't see a plot has its figures in a table in the same card.
func TestEveryPlotHasItsFiguresAsATable(t *testing.T) {
	deps, _ := harbourSite(t)
	body := get(serverOf(t, deps), "/brake/quay-2/main").Body.String()
	cards := regexp.MustCompile(`(?s)<section class="card".*?</section>`).FindAllString(body, -1)
	plots := 0
	for _, card := range cards {
		n := strings.Count(card, `class="plot"`)
		if plots += n; n > 0 && !regexp.MustCompile(`(?s)<details><summary>Figures of this plot</summary>.*<table.*<tbody><tr>.*</details>`).MatchString(card) {
			t.Errorf("a plot has no table: %.200s", card)
		}
	}
	if plots != 3 || strings.Count(body, `class="plot"`) != 3 {
		t.Errorf("%d plots stand in cards, %d on the page; want 3", plots, strings.Count(body, `class="plot"`))
	}
	// Each image says in words what it shows.
	for _, m := range regexp.MustCompile(`<img class="plot"[^>]*>`).FindAllString(body, -1) {
		if !regexp.MustCompile(`alt="[^"]{60,}The figures are in the table below\."`).MatchString(m) && !strings.Contains(m, "Travel of quay-2/main") {
			t.Errorf("%s has no text", m)
		}
	}
	text := words(body)
	for _, want := range []string{"Around Filtered, mm Mean Least Most Cycles", "2.81 ± 0.02 2.81 2.77 2.86", "From Release, ms Set, ms Cycles", "200 (200 to 200) 240 (240 to 240) 20",
		"Time since drive on, s Travel, mm -0.50 2.10"} {
		if !strings.Contains(text, want) {
			t.Errorf("the tables don't say %q", want)
		}
	}
}

// Worked by hand.
func TestTimesInATable(t *testing.T) {
	nan := math.NaN()
	var cycles []store.CycleRow
	for i, c := range []analysis.Cycle{{ReleaseS: 0.3, SetS: nan}, {ReleaseS: 0.1, SetS: 0.21}, {ReleaseS: 0.15, SetS: 0.25}, {ReleaseS: 0.2, SetS: nan}} {
		c.AtNS = ago(time.Duration(4-i) * time.Hour)
		cycles = append(cycles, store.CycleRow{Cycle: c})
	}
	for len(cycles) < 4*listedTimes { // four in a row
		c := cycles[len(cycles)%4]
		c.ReleaseS, c.SetS = nan, nan
		cycles = append(cycles, c)
	}
	rows := viewTimes(cycles, noon())
	if len(rows) != listedTimes {
		t.Fatalf("%d rows, want %d", len(rows), listedTimes)
	}
	if r := rows[0]; *r.Release != (spreadView{"175", "100", "300"}) || *r.Set != (spreadView{"230", "210", "250"}) || r.Count != "4" || r.At != "08:00" {
		t.Errorf("the first row is %+v, release %+v, set %+v", r, r.Release, r.Set)
	}
	if r := rows[1]; r.Release != nil || r.Set != nil {
		t.Errorf("a row of cycles without times has some: %+v", r)
	}
	if got := viewTimes(cycles[:3], noon()); len(got) != 3 || got[1].Release.Median != "100" || got[0].Set != nil {
		t.Errorf("three cycles are %+v", got)
	}
}

// A table of a movement has its ends, its extremes and both its ramps.
func TestMovesInATable(t *testing.T) {
	w := stroke(analysis.Cycle{OnNS: 2_400e6, SetLevelMM: 2.1, ReleasedLevelMM: 4.9})
	w.TravelMM[3] = float32(math.NaN())
	moves := viewMoves(w)
	if len(moves) < 20 || len(moves) > 60 {
		t.Errorf("%d rows", len(moves))
	}
	var at, mm []float64
	for _, m := range moves {
		x, err := strconv.ParseFloat(m.At, 64)
		y, err2 := strconv.ParseFloat(m.Travel, 64)
		if err != nil || err2 != nil {
			t.Fatalf("%+v: %v %v", m, err, err2)
		}
		at, mm = append(at, x), append(mm, y)
	}
	if !slices.IsSorted(at) || at[0] != -0.5 || math.Abs(at[len(at)-1]-3.88) > 1e-9 || slices.Min(mm) != 2.1 || slices.Max(mm) < 4.89 {
		t.Errorf("from %v to %v s, from %v to %v mm", at[0], at[len(at)-1], slices.Min(mm), slices.Max(mm))
	}
	// Read between its rows, the table is the curve within a tenth of the stroke.
	for i, ns := range w.TimesNS {
		v := float64(w.TravelMM[i])
		if math.IsNaN(v) {
			continue
		}
		x := float64(ns) * 1e-9
		k, _ := slices.BinarySearch(at, x)
		k = min(max(k, 1), len(at)-1)
		between := mm[k-1] + (mm[k]-mm[k-1])*(x-at[k-1])/max(at[k]-at[k-1], 1e-9)
		if math.Abs(between-v) > 0.28 && x-at[k-1] > 0.02 {
			t.Errorf("at %.2f s the travel is %.2f mm, and %.2f by the table", x, v, between)
		}
	}
	if got := viewMoves(analysis.Waveform{}); got != nil {
		t.Errorf("of nothing there is %v", got)
	}
}

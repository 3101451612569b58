package sensors

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// The points of a 4 to 20 mA loop, and what NAMUR NE 43 says of each: the
// file names the source of every column.
func TestCurrentLoop(t *testing.T) {
	f, err := os.Open("testdata/loop_4_20ma.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	doubts := map[string]Doubt{"measuring": "", "failure low": LoopLow, "undefined low": LoopUnder, "failure high": LoopHigh, "undefined high": LoopOver}
	seen := map[Doubt]int{}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, row := range rows[1:] {
		mA, value := number(row[0]), number(row[2])
		want, known := doubts[row[6]]
		if !known {
			t.Fatalf("%q is none of the bands", row[6])
		}
		seen[want]++
		for column, w := range map[int]Wiring{
			0: {Raw: []float64{4, 20}, Milliamps: []float64{4, 20}, MM: []float64{0, 5}},
			3: {Raw: []float64{0, 27648}, Milliamps: []float64{4, 20}, MM: []float64{0, 5}},
			5: {Raw: []float64{13107, 65535}, Milliamps: []float64{4, 20}, MM: []float64{0, 5}},
			// the same on a converter of 0 to 20 mA, and as a polynomial: 5·(I−4)/16
			-5: {Raw: []float64{0, 65535}, Milliamps: []float64{0, 20}, MM: []float64{-1.25, 5}},
			-3: {Raw: []float64{0, 27648}, Milliamps: []float64{4, 20}, Coefficients: []float64{0, 5.0 / 27648}},
		} {
			raw := number(row[max(column, -column)])
			got, doubt := w.Read(Travel, raw)
			if math.Abs(got-value) > 1e-6 || doubt != want {
				t.Errorf("%g mA as %v: %g mm, %q; want %g mm, %q", mA, raw, got, doubt, value, want)
			}
		}
	}
	for _, d := range doubts {
		if seen[d] == 0 {
			t.Errorf("no point is checked for %q", d)
		}
	}
}

// The values are worked out by hand beside each.
func TestReadScales(t *testing.T) {
	linear := Wiring{Raw: []float64{0, 4095}, MM: []float64{0, 10}}
	falling := Wiring{Raw: []float64{4000, 0}, MM: []float64{0, 8}}
	table := Wiring{Raw: []float64{0, 1000, 3000, 4000}, MM: []float64{0, 2, 8, 10}}
	tableDown := Wiring{Raw: []float64{4000, 3000, 1000, 0}, MM: []float64{10, 8, 2, 0}}
	hot := Wiring{Raw: []float64{0, 100, 400}, Deg: []float64{120, 60, -20}}
	square := Wiring{Raw: []float64{0, 100}, Coefficients: []float64{1, 0.5, 0.01}}
	for _, c := range []struct {
		s    Signal
		w    Wiring
		raw  float64
		want float64
		d    Doubt
	}{
		{Travel, linear, 819, 2, ""},                         // 819/4095 = 0.2
		{Travel, linear, 4197, 10.249084249084248, ""},       // 2.49 % above
		{Travel, linear, 4198, 10.251526251526252, OffScale}, // 2.52 % above
		{Travel, falling, 1000, 6, ""},                       // (4000-1000)/4000·8
		{Travel, table, 500, 1, ""},                          // half way from 0 to 2
		{Travel, table, 1000, 2, ""},
		{Travel, table, 1500, 3.5, ""},  // 2 + 500/2000·6
		{Travel, table, 3900, 9.8, ""},  // 8 + 900/1000·2
		{Travel, table, 4100, 10.2, ""}, // the last part goes straight on for 2.5 %
		{Travel, table, -100, -0.2, ""},
		{Travel, table, 4101, 10.202, OffScale},
		{Travel, tableDown, 1500, 3.5, ""},
		{Travel, tableDown, 4101, 10.202, OffScale},
		{Temperature, hot, 50, 90, ""},          // 120 - 50/100·60
		{Temperature, hot, 250, 20, ""},         // 60 - 150/300·80
		{Travel, square, 20, 15, ""},            // 1 + 10 + 4
		{Travel, square, 100, 151, ""},          // 1 + 50 + 100
		{Travel, square, 103, 158.59, OffScale}, // 1 + 51.5 + 106.09
		{Travel, Wiring{}, 2.25, 2.25, ""},
		{Travel, Wiring{}, math.NaN(), 0, NotANumber},
		{Travel, linear, math.Inf(1), 0, NotANumber},
		{Travel, Wiring{Raw: []float64{0, math.MaxFloat64}, MM: []float64{-math.MaxFloat64, math.MaxFloat64}}, 1, 0, NotANumber},
		{Drive, Wiring{}, 0xFF00, 1, ""},
		{Drive, Wiring{Invert: true}, 0, 1, ""},
		{Released, Wiring{}, math.NaN(), 0, NotANumber},
	} {
		got, d := c.w.Read(c.s, c.raw)
		if math.Abs(got-c.want) > 1e-9 || d != c.d {
			t.Errorf("%v of raw %g by %+v is %g, %q; want %g, %q", c.s, c.raw, c.w, got, d, c.want, c.d)
		}
		if _, ok := c.w.Scale(c.s, c.raw); ok != (c.d == "") {
			t.Errorf("raw %g by %+v is taken: %v", c.raw, c.w, ok)
		}
	}
}

func TestSpanSlopesAndResolution(t *testing.T) {
	for _, c := range []struct {
		w                       Wiring
		low, high               float64
		least, greatest, stepMM float64
	}{
		{Wiring{Raw: []float64{0, 4000}, MM: []float64{8, 0}}, 0, 8, -0.002, -0.002, 0.002},
		{Wiring{Raw: []float64{0, 1000, 3000}, MM: []float64{0, 2, 8}}, 0, 8, 0.002, 0.003, 0.003},
		{Wiring{Raw: []float64{0, 100}, Coefficients: []float64{1, 0.5, 0.01}}, 1, 151, 0.5, 2.5, 2.5}, // slope 0.5 + 0.02 r
		{Wiring{Raw: []float64{0, 100}, Coefficients: []float64{0, 1, -0.01}}, 0, 0, -1, 1, 1},         // turns back at 50
		{Wiring{Raw: []float64{0, 1}, MM: []float64{0, 5}, Type: F32}, 0, 5, 5, 5, 0},
	} {
		low, high, ok := c.w.Span(Travel)
		least, greatest := c.w.Slopes(Travel)
		near := func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }
		if !ok || !near(low, c.low) || !near(high, c.high) || !near(least, c.least) || !near(greatest, c.greatest) || !near(c.w.ResolutionMM(), c.stepMM) {
			t.Errorf("%+v: span %g to %g, slopes %g to %g, step %g", c.w, low, high, least, greatest, c.w.ResolutionMM())
		}
	}
	if _, _, ok := (&Wiring{}).Span(Travel); ok || (&Wiring{}).ResolutionMM() != 0 {
		t.Error("no scale has a span")
	}
}

func TestCheckScale(t *testing.T) {
	for _, w := range []Wiring{
		{Raw: []float64{0}, MM: []float64{0}},
		{Raw: []float64{0, 1, 2}, MM: []float64{0, 1}},
		{Raw: []float64{0, 1}},
		{Raw: []float64{0, 1}, MM: []float64{0, 1}, Milliamps: []float64{4}},
	} {
		if err := w.CheckScale(Travel); err == nil {
			t.Errorf("%+v is taken", w)
		}
	}
	if err := (&Wiring{Raw: []float64{0, 1}, Deg: []float64{0, 1}}).CheckScale(Temperature); err != nil {
		t.Error(err)
	}
}

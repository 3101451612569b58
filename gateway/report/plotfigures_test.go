package report

import "testing"

// Worked by hand: the mean of a row is that of its cycles, not of its parts.
func TestTheGapInAFewRows(t *testing.T) {
	n := func(v float64) *float64 { return &v }
	gaps := []GapRecord{
		{"2026-11-01T00:00:00Z", n(1), n(0.9), n(1.2), 3},
		{"2026-11-02T00:00:00Z", n(2), n(1.9), n(2.1), 1},
	}
	for len(gaps) < 2*mostGapRows-1 {
		gaps = append(gaps, GapRecord{"2026-11-03T00:00:00Z", n(2.5), n(2.4), n(2.6), 7})
	}
	rows := gapRows(gaps)
	if len(rows) != mostGapRows {
		t.Fatalf("%d rows, want %d", len(rows), mostGapRows)
	}
	if want := (gapRow{"2026-11-01T00:00:00Z", "2026-11-02T00:00:00Z", "1.25", "0.90", "2.10", 4}); rows[0] != want {
		t.Errorf("the first is %+v, want %+v", rows[0], want)
	}
	if last := rows[mostGapRows-1]; last.Cycles != 7 || last.Mean != "2.50" {
		t.Errorf("the last is %+v", last)
	}
	if rows := gapRows(nil); rows != nil {
		t.Errorf("of nothing there is %+v", rows)
	}
}

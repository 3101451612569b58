package report

import "gapward/gateway/figures"

// mostGapRows is in how many rows the course of the gap is told.
const mostGapRows = 12

// gapRow is the gap in a part of the span.
type gapRow struct {
	From, To          string
	Mean, Least, Most string
	Cycles            int64
}

// gapRows tells the course of the gap, which its plot draws, in a few rows.
func gapRows(gaps []GapRecord) (rows []gapRow) {
	each := (len(gaps) + mostGapRows - 1) / mostGapRows
	for ; len(gaps) > 0; gaps = gaps[min(each, len(gaps)):] {
		some := gaps[:min(each, len(gaps))]
		row := gapRow{From: some[0].Time, To: some[len(some)-1].Time}
		sum, least, most := 0.0, value(some[0].Least), value(some[0].Most)
		for _, g := range some {
			sum += value(g.Mean) * float64(g.Cycles)
			least, most = min(least, value(g.Least)), max(most, value(g.Most))
			row.Cycles += g.Cycles
		}
		row.Mean, row.Least, row.Most = figures.Fixed(sum/float64(row.Cycles), 2), figures.Fixed(least, 2), figures.Fixed(most, 2)
		rows = append(rows, row)
	}
	return rows
}

package store

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"
	"time"

	"gapward/analysis"
)

// byDays thins cycles that are in order as [DB.Thinned] says it does for wide
// stretches, the slow way.
func byDays(rows []CycleRow, fromNS, toNS int64, n int) (points []GapPoint) {
	var in []CycleRow
	for _, r := range rows {
		if r.AtNS >= fromNS && r.AtNS < toNS {
			in = append(in, r)
		}
	}
	if len(in) == 0 {
		return nil
	}
	first := in[0].AtNS
	width := (in[len(in)-1].AtNS-first)/int64(n) + 1
	began := map[int64]int64{} // each day's stretch
	stretch, lastStretch := []CycleRow(nil), int64(-1)
	end := func() {
		if len(stretch) == 0 {
			return
		}
		p := GapPoint{AtNS: stretch[0].AtNS + (stretch[len(stretch)-1].AtNS-stretch[0].AtNS)/2, MinMM: math.Inf(1), MaxMM: math.Inf(-1), Count: int64(len(stretch))}
		for _, r := range stretch {
			p.MeanMM += r.GapMM / float64(len(stretch))
			p.MinMM, p.MaxMM = min(p.MinMM, r.GapMM), max(p.MaxMM, r.GapMM)
		}
		points, stretch = append(points, p), nil
	}
	for _, r := range in {
		if !analysis.Has(r.GapMM) {
			continue
		}
		day := dayOf(r.AtNS)
		if _, ok := began[day]; !ok {
			began[day] = (r.AtNS - first) / width
		}
		if began[day] != lastStretch {
			end()
		}
		lastStretch = began[day]
		stretch = append(stretch, r)
	}
	end()
	return points
}

func wantPoints(t *testing.T, what string, got, want []GapPoint) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d points, want %d", what, len(got), len(want))
	}
	for i, g := range got {
		w := want[i]
		if math.Abs(g.MeanMM-w.MeanMM) > 1e-9 {
			t.Errorf("%s: point %d has the mean %v, want %v", what, i, g.MeanMM, w.MeanMM)
		}
		if w.MeanMM = g.MeanMM; g != w {
			t.Errorf("%s: point %d is %+v, want %+v", what, i, g, w)
		}
	}
}

// thirtyDays are cycles of changing number a day, a few days without any, and
// one with jogs only.
func thirtyDays() (rows []CycleRow) {
	for day := range 30 {
		switch day {
		case 5, 6, 17:
		case 11:
			j := jogAt(mainBrake, 0)
			j.AtNS = startNS + int64(day)*dayNS
			rows = append(rows, j)
		default:
			rows = append(rows, dayOfCycles(mainBrake, day, 30+day)...)
		}
	}
	return rows
}

// A long span is read from the days' own figures, which must be those of their
// cycles, also where the span begins or ends in the middle of a day.
func TestLongSpansAreReadByDays(t *testing.T) {
	d := openAt(t, t.TempDir())
	rows := thirtyDays()
	for i := 0; i < len(rows); i += 7 { // in pieces, and each once more
		piece := rows[i:min(i+7, len(rows))]
		commit(t, d, &Batch{Cycles: append([]CycleRow(nil), piece...)})
		commit(t, d, &Batch{Cycles: append([]CycleRow(nil), piece...)})
	}
	midnight := startDay.UnixNano()
	for _, span := range [][2]int64{
		{0, math.MaxInt64},
		{midnight, midnight + 30*dayNS},
		{midnight + 15*60*secondNS, midnight + 29*dayNS + 12*60*secondNS},
		{midnight + 5*dayNS, midnight + 12*dayNS},
		{midnight + 3*dayNS + 10*60*secondNS, midnight + 3*dayNS + 20*60*secondNS},
	} {
		for _, n := range []int{1, 2, 5, 13} {
			want := byDays(rows, span[0], span[1], n)
			if (span[1]-span[0])/int64(n) < wholeDays {
				n = 1
				want = byDays(rows, span[0], span[1], n)
			}
			wantPoints(t, fmt.Sprintf("%d points of %v", n, span), must(d.Thinned(t.Context(), mainBrake, span[0], span[1], n)), want)
		}
	}
	// Rolling up changes nothing where whole days are asked for.
	tidyAll(t, d, startDay.Add(30*24*time.Hour), Keep{Cycles: 10 * 24 * time.Hour, MostBytes: 1 << 40})
	if n := len(must(d.Cycles(t.Context(), mainBrake, 0, midnight+20*dayNS, 0))); n != 0 {
		t.Fatalf("%d cycles are left of the old days", n)
	}
	wantPoints(t, "rolled up", must(d.Thinned(t.Context(), mainBrake, midnight, midnight+30*dayNS, 9)), byDays(rows, midnight, midnight+30*dayNS, 9))
}

// A database from before the days had figures of their gaps gets them when it
// is opened.
func TestOlderDatabaseGetsItsDaysGaps(t *testing.T) {
	dir := t.TempDir()
	statements := []string{}
	for _, name := range migrationNames()[:3] {
		text := must(migrations.ReadFile(name))
		statements = append(statements, string(text))
	}
	statements = append(statements, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = 3", applicationID),
		"INSERT INTO brakes (id, name) VALUES (1, 'quay-2/main')")
	rows := thirtyDays()
	for i, r := range rows {
		gap := "NULL"
		if analysis.Has(r.GapMM) {
			gap = fmt.Sprintf("%.17g", r.GapMM)
		}
		statements = append(statements,
			fmt.Sprintf("INSERT INTO cycles (brake, at_ns, id, on_ns, kind, flags, gap_mm) VALUES (1, %d, %d, 1, %d, 0, %s)", r.AtNS, i+1, r.Kind, gap),
			fmt.Sprintf("INSERT INTO days (brake, day, full_count, jog_count) VALUES (1, %d, 1, 0) ON CONFLICT DO UPDATE SET full_count = full_count + 1", dayOf(r.AtNS)))
	}
	raw(t, filepath.Join(dir, databaseName), statements...)
	d := openAt(t, dir)
	wantPoints(t, "migrated", must(d.Thinned(t.Context(), mainBrake, 0, math.MaxInt64, 7)), byDays(rows, 0, math.MaxInt64, 7))
}

// BenchmarkYear measures what the page reads of a brake: spans of a history of
// two years at 300 cycles a day, of four brakes side by side. The floor is
// SQLite handing over the time and the gap of the year's cycles, one by one,
// with nothing done with them.
func BenchmarkYear(b *testing.B) {
	const days = 730
	d := openAt(b, b.TempDir())
	for day := range days {
		var batch Batch
		for i := range 4 {
			batch.Cycles = append(batch.Cycles, dayOfCycles(fmt.Sprintf("quay-%d/main", i), day, 273)...)
		}
		commit(b, d, &batch)
	}
	if err := d.Checkpoint(b.Context()); err != nil {
		b.Fatal(err)
	}
	const brake = "quay-2/main"
	now := startDay.UnixNano() + days*dayNS
	year := now - 365*dayNS
	b.Run("floor", func(b *testing.B) {
		for b.Loop() {
			rows, err := d.read.QueryContext(b.Context(), "SELECT at_ns, gap_mm FROM cycles WHERE brake = (SELECT id FROM brakes WHERE name = ?) AND at_ns >= ? ORDER BY at_ns", brake, year)
			if err != nil {
				b.Fatal(err)
			}
			n := 0
			for ; rows.Next(); n++ {
				var atNS int64
				var gap float64
				if err := rows.Scan(&atNS, nan(&gap)); err != nil {
					b.Fatal(err)
				}
			}
			if err := rows.Err(); err != nil || n != 365*300 {
				b.Fatal(n, err)
			}
		}
	})
	for _, span := range []struct {
		name   string
		fromNS int64
	}{{"7d", now - 7*dayNS}, {"30d", now - 30*dayNS}, {"90d", now - 90*dayNS}, {"1y", year}, {"all", 0}} {
		b.Run(span.name, func(b *testing.B) {
			for b.Loop() {
				if p, err := d.Thinned(b.Context(), brake, span.fromNS, math.MaxInt64, 300); err != nil || len(p) == 0 {
					b.Fatal(len(p), err)
				}
			}
		})
	}
	b.Run("recall", func(b *testing.B) {
		for b.Loop() {
			if _, _, _, err := d.RecallFrom(b.Context(), brake, 20_000); err != nil {
				b.Fatal(err)
			}
		}
	})
}

package store

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// tidyAll calls Tidy until there is nothing more to do.
func tidyAll(t testing.TB, d *DB, now time.Time, keep Keep) (all Tidied) {
	t.Helper()
	for range 100_000 {
		one, err := d.Tidy(context.Background(), now, keep)
		if err != nil {
			t.Fatal(err)
		}
		all.Add(one)
		if !one.More {
			return all
		}
	}
	t.Fatal("tidying never comes to an end")
	return all
}

// dayOfCycles are a day's cycles, each 0.001 mm wider than the one before, with
// a jog after every tenth.
func dayOfCycles(brake string, day, n int) (rows []CycleRow) {
	midnight := startNS - startNS%dayNS + int64(day)*dayNS
	for i := range n {
		c := cycleAt(brake, 0)
		c.AtNS = midnight + int64(i)*60*secondNS
		c.GapMM, c.ReleaseS, c.SetS = 1.5+float64(i)*0.001, 0.2+float64(i)*1e-4, 0.3+float64(i)*1e-4
		rows = append(rows, c)
		if i%10 == 9 {
			j := jogAt(brake, 0)
			j.AtNS = c.AtNS + 20*secondNS
			rows = append(rows, j)
		}
	}
	return rows
}

var startDay = time.Unix(0, startNS-startNS%dayNS)

func TestOldDaysBecomeQuantiles(t *testing.T) {
	d := openAt(t, t.TempDir())
	var b Batch
	for day := range 3 {
		b.Cycles = append(b.Cycles, dayOfCycles(mainBrake, day, 101)...)
		b.Cycles = append(b.Cycles, dayOfCycles(creepBrake, day, 20)...)
	}
	b.Forecasts = []ForecastRow{
		{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: startNS, Limit: "adjust", WearUMPerK: 11}},
		{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: startNS + secondNS, Limit: "adjust", WearUMPerK: 12}},
		{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: startNS + 2*dayNS, Limit: "adjust", WearUMPerK: 13}},
	}
	commit(t, d, &b)
	all := must(d.Cycles(t.Context(), mainBrake, 0, math.MaxInt64, 0))
	fullBefore, jogsBefore, err := d.Counts(t.Context(), mainBrake, 0)
	if err != nil {
		t.Fatal(err)
	}

	// At this moment the first two days are a year old, the third isn't.
	now := startDay.Add(365*24*time.Hour + 48*time.Hour + time.Minute)
	did := tidyAll(t, d, now, Keep{Cycles: 365 * 24 * time.Hour, MostBytes: 1 << 40})
	if did.Days != 4 || did.Cycles != 2*(101+10+20+2) || did.Forecasts != 2 || did.Waveforms != 0 || did.Undelivered != 0 {
		t.Errorf("tidied %+v", did)
	}
	wantSame(t, "the cycles of the young day", must(d.Cycles(t.Context(), mainBrake, 0, math.MaxInt64, 0)), all[222:])

	days := must(d.Days(t.Context(), mainBrake, 0, math.MaxInt64))
	if len(days) != 2 {
		t.Fatalf("%d days are rolled up, want 2", len(days))
	}
	// Quantiles of 1.500, 1.501 … 1.600, worked out by hand.
	first := days[0]
	for what, c := range map[string][2]float64{
		"gap p05": {first.GapP05MM, 1.505}, "gap p50": {first.GapP50MM, 1.55}, "gap p95": {first.GapP95MM, 1.595},
		"gap mean": {first.GapMeanMM, 1.55}, "gap min": {first.GapMinMM, 1.5}, "gap max": {first.GapMaxMM, 1.6},
		"release p50": {first.ReleaseP50S, 0.205}, "release p95": {first.ReleaseP95S, 0.2095},
		"set p50": {first.SetP50S, 0.305}, "set p95": {first.SetP95S, 0.3095}, "wear": {first.WearUMPerK, 12},
	} {
		if math.Abs(c[0]-c[1]) > 1e-9 {
			t.Errorf("%s is %v, want %v", what, c[0], c[1])
		}
	}
	if first.Full != 101 || first.Jogs != 10 || first.Gaps != 101 || first.DayNS != startDay.UnixNano() || !math.IsNaN(days[1].WearUMPerK) {
		t.Errorf("the first day is %+v, the second %+v", first, days[1])
	}
	full, jogs, err := d.Counts(t.Context(), mainBrake, 0)
	if err != nil || full != fullBefore || jogs != jogsBefore {
		t.Errorf("after rolling up %d full cycles and %d jogs are counted, before %d and %d (%v)", full, jogs, fullBefore, jogsBefore, err)
	}
	if again := tidyAll(t, d, now, KeepByDefault()); again != (Tidied{}) {
		t.Errorf("a second time there was something to do: %+v", again)
	}
}

// TestHistoryReadsAcrossTheSeam wants a plot to have the same extremes and
// means whether its old part is rolled up or not.
func TestHistoryReadsAcrossTheSeam(t *testing.T) {
	d := openAt(t, t.TempDir())
	var b Batch
	for day := range 40 {
		b.Cycles = append(b.Cycles, dayOfCycles(mainBrake, day, 100+day)...)
	}
	commit(t, d, &b)
	whole := must(d.Thinned(t.Context(), mainBrake, 0, math.MaxInt64, 1))
	tidyAll(t, d, startDay.Add(30*24*time.Hour), Keep{Cycles: 10 * 24 * time.Hour, MostBytes: 1 << 40})
	if n := len(must(d.Days(t.Context(), mainBrake, 0, math.MaxInt64))); n != 20 {
		t.Fatalf("%d days are rolled up, want half of 40", n)
	}
	seam := must(d.Thinned(t.Context(), mainBrake, 0, math.MaxInt64, 1))
	if len(seam) != 1 || seam[0].Count != whole[0].Count || seam[0].MinMM != whole[0].MinMM || seam[0].MaxMM != whole[0].MaxMM || math.Abs(seam[0].MeanMM-whole[0].MeanMM) > 1e-12 {
		t.Errorf("rolled up %+v, before %+v", seam, whole)
	}
	points := must(d.Thinned(t.Context(), mainBrake, 0, math.MaxInt64, 20))
	var count int64
	for i, p := range points {
		count += p.Count
		if i > 0 && p.AtNS <= points[i-1].AtNS {
			t.Errorf("point %d is not after the one before", i)
		}
	}
	if len(points) != 20 || count != whole[0].Count {
		t.Errorf("%d points of %d cycles, want 20 of %d", len(points), count, whole[0].Count)
	}
	old := must(d.Thinned(t.Context(), mainBrake, 0, startDay.Add(5*24*time.Hour).UnixNano(), 5))
	if len(old) != 5 || old[0].Count != 100 || old[4].Count != 104 {
		t.Errorf("of rolled-up days only: %+v", old)
	}
}

// TestIDsAreNeverGivenTwice rolls up every cycle there is, and opens anew.
func TestIDsAreNeverGivenTwice(t *testing.T) {
	dir := t.TempDir()
	d := openAt(t, dir)
	b := Batch{Cycles: dayOfCycles(mainBrake, 0, 50)}
	commit(t, d, &b)
	last := b.Cycles[len(b.Cycles)-1].ID
	tidyAll(t, d, startDay.Add(10*365*24*time.Hour), KeepByDefault())
	if left := must(d.CyclesAfter(t.Context(), 0, 1000)); len(left) != 0 {
		t.Fatalf("%d cycles are left", len(left))
	}
	if n := must(d.Newest(t.Context())); n.Cycle != last {
		t.Errorf("the newest cycle is %d, want %d though it is rolled up", n.Cycle, last)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d = openAt(t, dir)
	b = Batch{Cycles: dayOfCycles(mainBrake, 4000, 1)}
	commit(t, d, &b)
	if b.Cycles[0].ID != last+1 {
		t.Errorf("the next cycle got id %d, want %d", b.Cycles[0].ID, last+1)
	}
}

func TestSizeGivesUpWaveformsFirstAndTheLedgerNever(t *testing.T) {
	d := openAt(t, t.TempDir())
	var b Batch
	for day := range 60 {
		b.Cycles = append(b.Cycles, dayOfCycles(mainBrake, day, 100)...)
	}
	b.Ledger = []LedgerRow{{Brake: mainBrake, Entry: analysis.NewEntry(analysis.Reading, startNS, "R. Holm")}}
	commit(t, d, &b)
	for i := range 30 {
		w := analysis.Waveform{CycleAtNS: startNS + int64(i)*dayNS, OffNS: 5}
		for k := range 3000 {
			w.TimesNS = append(w.TimesNS, int64(k)*1e6)
			w.TravelMM = append(w.TravelMM, float32(math.Sin(float64(k*k+i))))
		}
		commit(t, d, &Batch{Waveforms: []WaveformRow{{Brake: mainBrake, Waveform: w}},
			Alarms: []AlarmRow{{Event: alerts.Event{AtNS: w.CycleAtNS, Brake: mainBrake, Condition: analysis.GapStep, Change: alerts.Raised, State: alerts.Unacknowledged}}}})
	}
	used := func() int64 {
		t.Helper()
		var n int64
		if err := d.read.QueryRow(`SELECT ((SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count)) * 4096`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	forever := 100 * 365 * 24 * time.Hour
	now := startDay.Add(61 * 24 * time.Hour)
	full := used()

	// A little too large: some waveforms go, the newest stay, and all cycles.
	did := tidyAll(t, d, now, Keep{Cycles: forever, MostBytes: full - 100_000})
	left := must(d.AlarmedWaveforms(t.Context(), mainBrake, 100))
	if did.Waveforms == 0 || did.Days != 0 || did.OverBytes != 0 || len(left) == 0 || left[0].CycleAtNS != startNS+29*dayNS || used() > full-100_000 {
		t.Errorf("a little too large: %+v, %d waveforms left, %d bytes of %d", did, len(left), used(), full)
	}

	for i, w := range left { // the newest first
		if w.CycleAtNS != startNS+int64(29-i)*dayNS {
			t.Errorf("of the waveforms left number %d is of day %d: not the oldest were given up", i, (w.CycleAtNS-startNS)/dayNS)
		}
	}

	// Much too large: all waveforms but the latest, then the oldest days.
	if err := d.SetCursors(t.Context(), map[string]int64{"influx/cycles": 50, "other/cycles": 1000, "gone/cycles": 3}); err != nil {
		t.Fatal(err)
	}
	did = tidyAll(t, d, now, Keep{Cycles: forever, MostBytes: 1, Exporters: []string{"influx", "other", "new"}})
	left = must(d.AlarmedWaveforms(t.Context(), mainBrake, 100))
	if len(left) != 1 || did.Days != 31 || did.Undelivered != did.Cycles-50 || did.OverBytes <= 0 {
		t.Errorf("much too large: %+v, %d waveforms left", did, len(left))
	}
	if cycles := must(d.Cycles(t.Context(), mainBrake, 0, math.MaxInt64, 0)); len(cycles) != 29*110 {
		t.Errorf("%d cycles are left; those of the last month may not go", len(cycles))
	}
	if n := len(must(d.AlarmsAfter(t.Context(), 0, 100))); n != 30 {
		t.Errorf("%d changes of alarms are left of 30", n)
	}
	if n := len(must(d.LedgerAfter(t.Context(), 0, 100))); n != 1 {
		t.Errorf("%d entries of the ledger are left of 1", n)
	}
}

func TestRecallBeginsWithAWeekThatStays(t *testing.T) {
	d := openAt(t, t.TempDir())
	var b Batch
	for day := range 100 {
		if day%7 != 3 { // Sundays off
			b.Cycles = append(b.Cycles, dayOfCycles(mainBrake, day, 20)...)
		}
	}
	commit(t, d, &b)
	all := must(d.Cycles(t.Context(), mainBrake, math.MinInt64, math.MaxInt64, 0))
	for _, least := range []int64{1, 100, 500, 1000, int64(len(all)), int64(len(all)) + 1} {
		from, full, jogs, err := d.RecallFrom(t.Context(), mainBrake, least)
		if err != nil {
			t.Fatal(err)
		}
		i, _ := slices.BinarySearchFunc(all, from, func(c CycleRow, ns int64) int {
			if c.AtNS < ns {
				return -1
			}
			return 1
		})
		if since := int64(len(all) - i); since < min(least, int64(len(all))) || full+jogs != int64(i) {
			t.Errorf("at least %d: %d cycles since, %d+%d counted before, %d are", least, since, full, jogs, i)
		}
		if least <= 1000 {
			if since := int64(len(all) - i); since >= least+2*7*22 || from%(7*dayNS) != 0 {
				t.Errorf("at least %d: begins with %d cycles, at %d", least, since, from)
			}
		}
	}
	from, _, _, err := d.RecallFrom(t.Context(), "nobody", 5)
	if err != nil || from != math.MinInt64 {
		t.Errorf("of a brake without cycles: %d, %v", from, err)
	}
}

package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// secondNS and startNS make the tests' times.
const secondNS = int64(time.Second)

var startNS = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC).UnixNano()

func openAt(t testing.TB, dir string) *DB {
	t.Helper()
	d, err := Open(t.Context(), dir, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

func commit(t testing.TB, d *DB, b *Batch) {
	t.Helper()
	if err := d.Commit(context.Background(), b); err != nil {
		t.Fatal(err)
	}
}

// must is for reads that cannot fail.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// cycleAt is a full cycle whose figures no other number has, none of them a
// short decimal.
func cycleAt(brake string, i int) CycleRow {
	x := float64(i)
	return CycleRow{Brake: brake, Cycle: analysis.Cycle{
		AtNS: startNS + int64(i)*60*secondNS + 123456789, OnNS: 4_000_000_001 + int64(i),
		GapMM: 1.6 + x/3000, GapUMM: 0.011 + x/7e6, GapUCalMM: 0.01,
		ReleaseS: 0.2 + x/9e5, ReleaseUS: 0.003 / 7, SetS: 0.25 + x/1e6, SetUS: 0.004 / 7,
		SetLevelMM: 2.1 + x/1e5, ReleasedLevelMM: 3.7 + x/3000, TemperatureC: 20 + math.Sin(x), Flags: analysis.FlagSpikes,
	}}
}

func jogAt(brake string, i int) CycleRow {
	c := cycleAt(brake, i)
	no := analysis.NoValue()
	c.Kind, c.GapMM, c.GapUMM, c.GapUCalMM, c.ReleaseS, c.ReleaseUS = analysis.Jog, no, no, no, no, no
	c.SetS, c.SetUS, c.SetLevelMM, c.ReleasedLevelMM, c.TemperatureC, c.Flags = no, no, no, no, no, 0
	return c
}

// same compares rows to the bit, NaN with NaN.
func same(a, b any) bool { return fmt.Sprintf("%+v", bits(a)) == fmt.Sprintf("%+v", bits(b)) }

// bits replaces every float by its bits; one NaN is like another.
func bits(v any) any {
	var walk func(reflect.Value) any
	walk = func(v reflect.Value) any {
		switch v.Kind() {
		case reflect.Float64:
			if math.IsNaN(v.Float()) {
				return "NaN"
			}
			return math.Float64bits(v.Float())
		case reflect.Float32:
			return math.Float32bits(float32(v.Float()))
		case reflect.Struct:
			var all []any
			for i := range v.NumField() {
				all = append(all, v.Type().Field(i).Name, walk(v.Field(i)))
			}
			return all
		case reflect.Slice:
			var all []any
			for i := range v.Len() {
				all = append(all, walk(v.Index(i)))
			}
			return all
		}
		return v.Interface()
	}
	return walk(reflect.ValueOf(v))
}

func wantSame(t *testing.T, what string, got, want any) {
	t.Helper()
	if !same(got, want) {
		t.Errorf("%s:\n got %+v\nwant %+v", what, got, want)
	}
}

const (
	mainBrake  = "quay-2/main"
	creepBrake = "quay-2/creep"
)

// wholeBatch has a row of every sort.
func wholeBatch() *Batch {
	no := analysis.NoValue()
	return &Batch{
		Cycles: []CycleRow{cycleAt(mainBrake, 0), jogAt(creepBrake, 1), cycleAt(mainBrake, 2)},
		Verdicts: []VerdictRow{
			{Brake: mainBrake, Verdict: analysis.Verdict{AtNS: cycleAt(mainBrake, 2).AtNS, State: analysis.InLimits, GapMM: 1.7 / 3, GapUMM: 0.01, ReleaseS: 0.2, ReleaseUS: 0.01, SetS: no, SetUS: no, Full: 7, Jogs: 3}},
			{Brake: creepBrake, Verdict: analysis.Verdict{AtNS: jogAt(creepBrake, 1).AtNS, State: analysis.Unknown, GapMM: no, GapUMM: no, ReleaseS: no, ReleaseUS: no, SetS: no, SetUS: no}},
		},
		Forecasts: []ForecastRow{
			{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: startNS, Limit: "adjust", LimitMM: 2.8, GapMM: 1.7, GapUMM: 0.01, WearUMPerK: no, WearUUMPerK: 0.2,
				Cycles: analysis.Quantiles{P05: 12345.678, P50: no, P95: no}, DateNS: analysis.Quantiles{P05: 1.8e18 + 12345, P50: no, P95: math.Inf(1)}}},
			{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: startNS, Limit: "max", LimitMM: 3.4}},
			{Brake: mainBrake, Forecast: analysis.Forecast{AtNS: startNS + secondNS, Limit: "adjust", LimitMM: 2.8}},
		},
		Alarms: []AlarmRow{
			{Event: alerts.Event{AtNS: startNS, Brake: mainBrake, Condition: analysis.GapAdjust, Change: alerts.Raised, State: alerts.Unacknowledged, SinceNS: startNS - 5, Value: 2.81, U: 0.01, Limit: 2.8, Unit: "mm"}},
			{Event: alerts.Event{AtNS: startNS + 1, Brake: "", Condition: analysis.GatewayFault, Change: alerts.Raised, State: alerts.Unacknowledged, SinceNS: startNS, Value: no, U: no, Limit: no, Detail: "the disk is full"}},
			{Event: alerts.Event{AtNS: startNS + 2, Brake: mainBrake, Condition: analysis.SlowSet, Change: alerts.Raised, State: alerts.Unacknowledged, SinceNS: startNS, Value: 0.4, U: no, Limit: 0.3, Unit: "s", Signal: "travel"}},
			{Event: alerts.Event{AtNS: startNS + 3, Brake: mainBrake, Condition: analysis.GapAdjust, Change: alerts.Acked, State: alerts.Acknowledged, SinceNS: startNS - 5, Value: 2.81, U: 0.01, Limit: 2.8, Unit: "mm", By: "shift leader"}},
			{Event: alerts.Event{AtNS: startNS + 4, Brake: mainBrake, Condition: analysis.SlowSet, Change: alerts.Cleared, State: alerts.Normal, SinceNS: startNS, Value: 0.2, U: no, Limit: 0.3, Unit: "s"}},
		},
		Waveforms: []WaveformRow{{Brake: mainBrake, Waveform: analysis.Waveform{CycleAtNS: startNS + 10, TimesNS: []int64{-20e6, 0, 20e6, 41e6}, TravelMM: []float32{2.1, 2.1024, 3.7, float32(math.NaN())}, OffNS: 4e9}}},
	}
}

// TestWholeLife stores a row of every sort, reads it back in every way, closes,
// opens again and goes on.
func TestWholeLife(t *testing.T) {
	ctx := t.Context()
	dir := filepath.Join(t.TempDir(), "data dir%20?#") // names that a URI must escape
	d := openAt(t, dir)
	b := wholeBatch()
	commit(t, d, b)
	if ids := [...]int64{b.Cycles[0].ID, b.Cycles[2].ID, b.Verdicts[1].Rev, b.Forecasts[2].ID, b.Alarms[4].ID}; ids != [...]int64{1, 3, 2, 3, 5} {
		t.Errorf("ids filled in: %v", ids)
	}

	for range 2 {
		wantSame(t, "Cycles", must(d.Cycles(ctx, mainBrake, 0, math.MaxInt64, 0)), []CycleRow{b.Cycles[0], b.Cycles[2]})
		wantSame(t, "Cycles, newest one", must(d.Cycles(ctx, mainBrake, 0, math.MaxInt64, 1)), []CycleRow{b.Cycles[2]})
		wantSame(t, "Cycles, end left out", must(d.Cycles(ctx, mainBrake, b.Cycles[0].AtNS, b.Cycles[2].AtNS, 0)), []CycleRow{b.Cycles[0]})
		wantSame(t, "CyclesAfter", must(d.CyclesAfter(ctx, 1, 1)), []CycleRow{b.Cycles[1]})
		wantSame(t, "Verdicts", must(d.Verdicts(ctx)), b.Verdicts)
		wantSame(t, "VerdictsAfter", must(d.VerdictsAfter(ctx, 1, 9)), b.Verdicts[1:])
		wantSame(t, "LatestForecasts", must(d.LatestForecasts(ctx)), []ForecastRow{b.Forecasts[2], b.Forecasts[1]})
		wantSame(t, "ForecastsAfter", must(d.ForecastsAfter(ctx, 0, 2)), b.Forecasts[:2])
		wantSame(t, "AlarmsAfter", must(d.AlarmsAfter(ctx, 1, 2)), b.Alarms[1:3])
		wantSame(t, "AlarmStates", must(d.AlarmStates(ctx)), []AlarmRow{b.Alarms[1], b.Alarms[3], b.Alarms[4]})
		wantSame(t, "ActiveAlarms", must(d.ActiveAlarms(ctx)), []AlarmRow{b.Alarms[1], b.Alarms[3]})
		wantSame(t, "Alarms of all", must(d.Alarms(ctx, "", 2)), []AlarmRow{b.Alarms[4], b.Alarms[3]})
		wantSame(t, "Alarms of a brake", must(d.Alarms(ctx, mainBrake, 9)), []AlarmRow{b.Alarms[4], b.Alarms[3], b.Alarms[2], b.Alarms[0]})
		wantSame(t, "Brakes", must(d.Brakes(ctx)), []string{mainBrake, creepBrake})
		wantSame(t, "Newest", must(d.Newest(ctx)), Newest{3, 3, 5, 2, 0})
		w, ok, err := d.Waveform(ctx, mainBrake)
		if err != nil || !ok {
			t.Fatalf("Waveform: %v, %v", ok, err)
		}
		wantSame(t, "Waveform", w, b.Waveforms[0])
		if _, ok, err := d.Waveform(ctx, creepBrake); ok || err != nil {
			t.Errorf("Waveform of a brake without one: %v, %v", ok, err)
		}

		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
		if err := d.Commit(ctx, &Batch{}); !errors.Is(err, errClosed) {
			t.Errorf("Commit after Close: %v", err)
		}
		d = openAt(t, dir)
	}

	more := &Batch{Cycles: []CycleRow{cycleAt(creepBrake, 3)}, Forecasts: b.Forecasts[:1:1], Alarms: b.Alarms[:1:1], Verdicts: b.Verdicts[:1:1]}
	commit(t, d, more)
	if ids := [...]int64{more.Cycles[0].ID, more.Forecasts[0].ID, more.Alarms[0].ID, more.Verdicts[0].Rev}; ids != [...]int64{4, 4, 6, 3} {
		t.Errorf("ids after opening again: %v, want them to go on by one", ids)
	}
	if got := must(d.Verdicts(ctx)); len(got) != 2 || got[1].Brake != mainBrake {
		t.Errorf("a replaced verdict: %+v", got)
	}
}

// TestSameCycleAgain commits a batch twice, as an owner does that didn't hear
// how the first time ended.
func TestSameCycleAgain(t *testing.T) {
	d := openAt(t, t.TempDir())
	first := Batch{Cycles: []CycleRow{cycleAt(mainBrake, 0), cycleAt(mainBrake, 1)}}
	commit(t, d, &first)
	again := Batch{Cycles: []CycleRow{cycleAt(mainBrake, 1), cycleAt(mainBrake, 2)}}
	again.Cycles[0].GapMM = 9
	commit(t, d, &again)
	if again.Cycles[0].ID != 2 || again.Cycles[1].ID != 3 {
		t.Errorf("ids %d, %d; want 2, the stored one, and 3, the next", again.Cycles[0].ID, again.Cycles[1].ID)
	}
	got := must(d.CyclesAfter(t.Context(), 0, 9))
	if len(got) != 3 || got[1].GapMM != first.Cycles[1].GapMM {
		t.Errorf("stored: %+v; want the first figures kept", got)
	}
	if full, _ := must2(d.Counts(t.Context(), mainBrake, 0)); full != 3 {
		t.Errorf("counted %d cycles, want 3", full)
	}
}

// TestEachTellingHasItsTime wants no two forecasts of one brake, limit and time,
// and no two like changes of one alarm at one time: far ends keep one of such.
func TestEachTellingHasItsTime(t *testing.T) {
	ctx := t.Context()
	d := openAt(t, t.TempDir())
	commit(t, d, wholeBatch())
	again := Batch{Forecasts: wholeBatch().Forecasts[1:]}
	commit(t, d, &again)
	if again.Forecasts[0].ID != 2 || again.Forecasts[1].ID != 3 || len(must(d.ForecastsAfter(ctx, 0, 9))) != 3 {
		t.Errorf("told again, the forecasts are %+v", must(d.ForecastsAfter(ctx, 0, 9)))
	}
	other := Batch{Forecasts: wholeBatch().Forecasts[2:]}
	other.Forecasts[0].Cycles.P50 = 777
	commit(t, d, &other)
	all := must(d.ForecastsAfter(ctx, 0, 9))
	if other.Forecasts[0].ID != 4 || len(all) != 3 || all[2].Cycles.P50 != 777 || all[1].ID != 2 {
		t.Errorf("told otherwise, the forecasts are %+v", all)
	}
	if latest := must(d.LatestForecasts(ctx)); len(latest) != 2 || latest[0].ID != 4 || latest[1].ID != 2 {
		t.Errorf("the latest are %+v", latest)
	}

	fault := AlarmRow{Event: alerts.Event{AtNS: startNS + 10*secondNS, Condition: analysis.GatewayFault, Change: alerts.Raised, State: alerts.Unacknowledged}}
	cleared := fault
	cleared.Change, cleared.State = alerts.Cleared, alerts.Normal
	commit(t, d, &Batch{Alarms: []AlarmRow{fault, fault}})
	commit(t, d, &Batch{Alarms: []AlarmRow{fault, cleared}})
	var at []int64
	for _, r := range must(d.AlarmsAfter(ctx, 5, 9)) {
		at = append(at, r.AtNS-fault.AtNS)
	}
	if !slices.Equal(at, []int64{0, 1, 2, 0}) {
		t.Errorf("three like changes at one time and another one have the times %d after it", at)
	}
}

func must2[A, B any](a A, b B, err error) (A, B) {
	if err != nil {
		panic(err)
	}
	return a, b
}

// TestFailedCommit wants nothing stored, no id used and no brake remembered
// when the last row of a batch can't be stored.
func TestFailedCommit(t *testing.T) {
	d := openAt(t, t.TempDir())
	changed := d.Changed()
	bad := wholeBatch()
	bad.Waveforms[0].TravelMM = bad.Waveforms[0].TravelMM[1:]
	if err := d.Commit(t.Context(), bad); err == nil {
		t.Fatal("a waveform with more times than readings was stored")
	}
	if bad.Cycles[0].ID != 0 || bad.Alarms[0].ID != 0 || bad.Forecasts[0].ID != 0 || bad.Verdicts[0].Rev != 0 {
		t.Error("ids of a failed commit are filled in")
	}
	select {
	case <-changed:
		t.Error("a failed commit woke the readers")
	default:
	}
	if got := must(d.Brakes(t.Context())); len(got) != 0 {
		t.Errorf("brakes %q are left of a failed commit", got)
	}
	good := wholeBatch()
	commit(t, d, good)
	if good.Cycles[0].ID != 1 || good.Alarms[0].ID != 1 {
		t.Errorf("ids begin at %d and %d after a failed commit, want 1", good.Cycles[0].ID, good.Alarms[0].ID)
	}
	<-changed
}

// TestFullCard wants a commit that finds no room to leave all as it was, and to
// succeed when there is room again.
func TestFullCard(t *testing.T) {
	d := openAt(t, t.TempDir())
	commit(t, d, wholeBatch())
	var pages int
	if err := d.write.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit := func(pages int) {
		if _, err := d.write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
			t.Fatal(err)
		}
	}
	limit(pages)
	var b Batch
	for i := range 500 {
		b.Cycles = append(b.Cycles, cycleAt(mainBrake, 10+i))
	}
	err := d.Commit(t.Context(), &b)
	if err == nil || !strings.Contains(err.Error(), "full") || isDamage(err) {
		t.Fatalf("without room it says %v", err)
	}
	if got := must(d.CyclesAfter(t.Context(), 0, 1000)); len(got) != 3 || b.Cycles[0].ID != 0 {
		t.Errorf("%d cycles are there, and the first of the batch has id %d", len(got), b.Cycles[0].ID)
	}
	limit(1 << 30)
	commit(t, d, &b)
	if b.Cycles[0].ID != 4 || b.Cycles[499].ID != 503 {
		t.Errorf("with room again the ids are %d to %d", b.Cycles[0].ID, b.Cycles[499].ID)
	}
}

func TestEachCycleInTheOrderOfStoring(t *testing.T) {
	d := openAt(t, t.TempDir())
	// More than one chunk a brake; a cycle is stored when it ends, so that the
	// brakes' times are mixed.
	var b Batch
	brakes := []string{"a", "b", "c"}
	for i := range 2*chunk + 3 {
		c := cycleAt(brakes[i%2], i)
		if i%7 == 0 {
			late := c
			late.Brake, late.AtNS = "c", c.AtNS-3*secondNS
			b.Cycles = append(b.Cycles, late)
		}
		b.Cycles = append(b.Cycles, c)
	}
	commit(t, d, &b)
	for i := range b.Cycles { // what a recall has no use for isn't read
		c := &b.Cycles[i]
		c.GapUCalMM, c.ReleasedLevelMM, c.TemperatureC = math.NaN(), math.NaN(), math.NaN()
	}
	each := func(from map[string]int64) (got []CycleRow, err error) {
		err = d.EachCycle(t.Context(), from, func(c CycleRow) error { got = append(got, c); return nil })
		return got, err
	}
	if got, err := each(map[string]int64{"a": 0, "b": 0, "c": 0, "none": 0}); err != nil || !same(got, b.Cycles) {
		t.Errorf("%d cycles, want %d, or in another order (%v)", len(got), len(b.Cycles), err)
	}
	from := map[string]int64{"a": b.Cycles[len(b.Cycles)/3].AtNS, "c": b.Cycles[len(b.Cycles)/2].AtNS}
	want := slices.DeleteFunc(slices.Clone(b.Cycles), func(c CycleRow) bool { return c.Brake == "b" || c.AtNS < from[c.Brake] })
	if got, err := each(from); err != nil || !same(got, want) {
		t.Errorf("of two brakes from a time on: %d cycles, want %d, or others (%v)", len(got), len(want), err)
	}
	stop := errors.New("enough")
	if err := d.EachCycle(t.Context(), map[string]int64{"a": 0}, func(CycleRow) error { return stop }); err != stop {
		t.Errorf("the callback's error came back as %v", err)
	}

	// The clock was set back: then the order of times is another.
	back := Batch{Cycles: []CycleRow{cycleAt("a", 1)}}
	commit(t, d, &back)
	if _, err := each(map[string]int64{"a": 0}); !errors.Is(err, ErrUnordered) {
		t.Errorf("stored out of the order of time: %v", err)
	}
	if _, err := each(map[string]int64{"b": 0, "c": 0}); err != nil {
		t.Errorf("the others: %v", err)
	}
}

func TestCountsAndThinning(t *testing.T) {
	ctx := t.Context()
	d := openAt(t, t.TempDir())
	var b Batch
	const n = 3000 // two days of a cycle a minute
	for i := range n {
		if i%10 == 9 {
			b.Cycles = append(b.Cycles, jogAt(mainBrake, i))
		} else {
			b.Cycles = append(b.Cycles, cycleAt(mainBrake, i))
		}
	}
	b.Cycles = append(b.Cycles, cycleAt(creepBrake, 5))
	commit(t, d, &b)

	for _, since := range []int64{0, startNS, b.Cycles[777].AtNS, b.Cycles[778].AtNS - 1, b.Cycles[1500].AtNS, b.Cycles[n-1].AtNS, b.Cycles[n-1].AtNS + 1} {
		var full, jogs int64
		for _, c := range b.Cycles[:n] {
			if c.AtNS < since {
				continue
			}
			if c.Kind == analysis.Jog {
				jogs++
			} else {
				full++
			}
		}
		gotFull, gotJogs := must2(d.Counts(ctx, mainBrake, since))
		if gotFull != full || gotJogs != jogs {
			t.Errorf("since %d: %d full and %d jogs, want %d and %d", since, gotFull, gotJogs, full, jogs)
		}
	}
	days := must(d.DailyCounts(ctx, mainBrake, startNS, math.MaxInt64))
	var full int64
	for _, day := range days {
		full += day.Full
	}
	if len(days) != 3 || days[0].DayNS != time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).UnixNano() || full != n*9/10 {
		t.Errorf("daily counts %+v", days)
	}

	for _, points := range []int{1, 7, 100, 10 * n} {
		got := must(d.Thinned(ctx, mainBrake, 0, math.MaxInt64, points))
		var count int64
		sum, least, most := 0.0, math.Inf(1), math.Inf(-1)
		for i, p := range got {
			if i > 0 && p.AtNS <= got[i-1].AtNS || p.MinMM > p.MeanMM || p.MeanMM > p.MaxMM {
				t.Fatalf("%d points: point %d is %+v after %+v", points, i, p, got[i-1])
			}
			count += p.Count
			sum += p.MeanMM * float64(p.Count)
			least, most = min(least, p.MinMM), max(most, p.MaxMM)
		}
		if len(got) > points || len(got) < min(points, n*9/10) || count != n*9/10 {
			t.Errorf("thinned to %d points: got %d of %d cycles", points, len(got), count)
		}
		if least != b.Cycles[0].GapMM || most != b.Cycles[n-2].GapMM || math.Abs(sum/float64(count)-2.0997) > 0.001 {
			t.Errorf("thinned to %d points: gaps from %v to %v, mean %v", points, least, most, sum/float64(count))
		}
	}
	if got := must(d.Thinned(ctx, "no such brake", 0, math.MaxInt64, 5)); len(got) != 0 {
		t.Errorf("points of an unknown brake: %v", got)
	}
}

func TestWaveformsOfAlarmedCyclesAreKept(t *testing.T) {
	d := openAt(t, t.TempDir())
	const cycles = 200
	for i := range cycles {
		at := startNS + int64(i)*secondNS
		w := WaveformRow{Brake: mainBrake, Waveform: analysis.Waveform{CycleAtNS: at, OffNS: int64(i)}}
		alarm := AlarmRow{Event: alerts.Event{AtNS: at + 5, Brake: mainBrake, Condition: analysis.NotReleased, Change: alerts.Raised}}
		switch {
		case i == 3: // nothing happens
		case i%2 == 0: // raised while the cycle runs
			commit(t, d, &Batch{Alarms: []AlarmRow{alarm}})
		default:
			commit(t, d, &Batch{Alarms: []AlarmRow{alarm}, Waveforms: []WaveformRow{w}})
			continue
		}
		commit(t, d, &Batch{Waveforms: []WaveformRow{w}})
	}
	var want []int64
	for i := range int64(cycles) {
		if i != 3 {
			want = append([]int64{i}, want...)
		}
	}
	var got []int64
	for _, w := range must(d.AlarmedWaveforms(t.Context(), mainBrake, 1000)) {
		got = append(got, w.OffNS)
	}
	if !slices.Equal(got, want) {
		t.Errorf("kept of alarmed cycles, newest first: %d, want all but that without an alarm", got)
	}
	// They go with the cycles of their time, but for the brake's latest.
	did := tidyAll(t, d, time.Unix(0, startNS+120*secondNS).Add(KeepByDefault().Cycles), KeepByDefault())
	if left := must(d.AlarmedWaveforms(t.Context(), mainBrake, 1000)); did.Waveforms != 119 || len(left) != cycles-120 || left[len(left)-1].OffNS != 120 {
		t.Errorf("after two years %d were taken out and %d are left", did.Waveforms, len(left))
	}
	if tidyAll(t, d, time.Unix(0, startNS).Add(100*KeepByDefault().Cycles), KeepByDefault()); len(must(d.AlarmedWaveforms(t.Context(), mainBrake, 1000))) != 1 {
		t.Error("the brake's latest waveform is gone, or not only that is left")
	}
	// An ordinary one goes when the next comes.
	for i := range int64(3) {
		commit(t, d, &Batch{Waveforms: []WaveformRow{{Brake: creepBrake, Waveform: analysis.Waveform{CycleAtNS: startNS + i}}}})
	}
	if all := must(d.waveforms(t.Context(), creepBrake, 0, math.MaxInt64, 100)); len(all) != 1 || all[0].CycleAtNS != startNS+2 {
		t.Errorf("ordinary waveforms kept: %+v, want only the latest", all)
	}
}

func TestCursors(t *testing.T) {
	dir := t.TempDir()
	d := openAt(t, dir)
	ctx := t.Context()
	if id := must(d.Cursor(ctx, "influx/cycles")); id != 0 {
		t.Errorf("a cursor that was never set is %d", id)
	}
	if err := d.SetCursors(ctx, map[string]int64{"influx/cycles": 5, "mqtt/alarms": 9, "mqtt/cycles": 4}); err != nil {
		t.Fatal(err)
	}
	if err := d.SetCursor(ctx, "influx/cycles", 6); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d = openAt(t, dir)
	if id := must(d.Cursor(ctx, "influx/cycles")); id != 6 {
		t.Errorf("the cursor is %d after opening again, want 6", id)
	}
	wantSame(t, "Cursors", len(must(d.Cursors(ctx, "mqtt/"))), 2)
	// Ids that a cursor has passed never come again, even when the rows are gone.
	b := &Batch{Cycles: []CycleRow{cycleAt(mainBrake, 0)}, Alarms: wholeBatch().Alarms[:1]}
	commit(t, d, b)
	if b.Cycles[0].ID != 7 || b.Alarms[0].ID != 10 {
		t.Errorf("ids %d and %d come after cursors at 6 and 9", b.Cycles[0].ID, b.Alarms[0].ID)
	}
}

// TestReadsWhileWriting reads in every way while commits go on, and wants every
// read to see whole batches only.
func TestReadsWhileWriting(t *testing.T) {
	d := openAt(t, t.TempDir())
	ctx, stop := context.WithCancel(t.Context())
	var readersDone sync.WaitGroup
	for i := range 3 {
		readersDone.Go(func() {
			for ctx.Err() == nil {
				cycles := must(d.CyclesAfter(context.Background(), 0, 1e6))
				if len(cycles)%3 != 0 {
					t.Errorf("a reader sees %d cycles of batches of 3", len(cycles))
				}
				for i, c := range cycles {
					if c.ID != int64(i)+1 {
						t.Errorf("cycle %d has id %d", i, c.ID)
					}
				}
				must(d.Verdicts(context.Background()))
				must(d.Thinned(context.Background(), mainBrake, 0, math.MaxInt64, 10))
				if err := d.SetCursor(context.Background(), fmt.Sprintf("reader%d/cycles", i), int64(len(cycles))); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for i := range 200 {
		changed := d.Changed()
		b := wholeBatch()
		for j := range b.Cycles {
			b.Cycles[j].AtNS += int64(i) * 3600 * secondNS
		}
		b.Waveforms = nil
		commit(t, d, b)
		<-changed
	}
	stop()
	readersDone.Wait()
}

package gateway

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
)

// The forecasts that are told at a stop are those that the stored cycles lead to,
// siblings whose last cycle was still open included: a brake's forecast leans on
// what the others have learned.
func TestForecastsAtAStopAreThoseOfTheStoredCycles(t *testing.T) {
	const brakes = 3
	text := strings.Split(oneBrake, "brakes:\n")
	site := text[0] + "brakes:\n"
	for i := range brakes {
		site += strings.Replace(text[1], "quay-2/main", fmt.Sprintf("quay-%d/main\n    model: QK-90", i), 1)
	}
	settings := siteOf(t, site)
	fresh := func() *Pipeline {
		p, err := NewSitePipeline(settings, settings.AnalysisSettings())
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	open := 0
	for n := 60; n < 72; n++ { // a forecast is worked out every few cycles
		live, random := fresh(), rand.New(rand.NewPCG(7, uint64(n)))
		var stopped store.Batch
		var rows []store.CycleRow
		atNS := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).UnixNano()
		for k := range n {
			for i := range int32(brakes) {
				atNS += int64(20 * time.Second)
				c := store.CycleRow{Brake: fmt.Sprintf("quay-%d/main", i), Cycle: analysis.Cycle{AtNS: atNS, Kind: analysis.Full, GapUMM: 0.01,
					ReleaseS: analysis.NoValue(), SetS: analysis.NoValue(), GapMM: 1.6 + 0.004*float64(k) + 0.01*random.NormFloat64()}}
				live.Recall(i, c.Cycle, &stopped)
				rows = append(rows, c)
			}
		}
		atNS += int64(20 * time.Second)
		gapMM := 1.6 + 0.004*float64(n)
		for ms := range 6000 { // a lift that is over but not closed
			if ms%20 != 0 {
				continue
			}
			on := 0.0
			if ms > 1500 && ms < 4500 {
				on = 1
			}
			for i := range int32(brakes) {
				at := atNS + int64(ms)*int64(time.Millisecond)
				live.Step([]sensors.Sample{{AtNS: at, Brake: i, Signal: sensors.Drive, Value: on},
					{AtNS: at, Brake: i, Signal: sensors.Travel, Value: 3 + gapMM*on + 0.004*random.NormFloat64()}}, &stopped)
			}
		}
		live.Flush(&stopped)
		open += len(stopped.Cycles)

		again := fresh()
		var batch store.Batch
		for _, c := range append(rows, stopped.Cycles...) {
			again.Recall(again.Place(c.Brake), c.Cycle, &batch)
		}
		again.Flush(&batch)
		want, got := lastForecasts(&batch), lastForecasts(&stopped)
		if len(want) < brakes {
			t.Fatalf("after %d cycles each there are %d forecasts", n, len(want))
		}
		for brake, f := range want {
			if got[brake] != f {
				t.Errorf("after %d cycles each, %s: stored\n%s\nand the cycles lead to\n%s", n, brake, got[brake], f)
			}
		}
	}
	if open < brakes {
		t.Errorf("%d cycles were open at a stop; that proves little", open)
	}
}

func lastForecasts(b *store.Batch) map[string]string {
	last := map[string]string{}
	for _, f := range b.Forecasts {
		last[f.Brake+" "+f.Limit] = fmt.Sprintf("%+v", f.Forecast)
	}
	return last
}

package gateway

import (
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
)

// historySite is a site of so many brakes, with wired signals that nobody
// connects to.
func historySite(t testing.TB, brakes int) *configs.Site {
	t.Helper()
	text := "site: Test Quay\ndata: x\ndevices:\n  io: {modbus: \"tcp://127.0.0.1:1502\", unit: 1}\nbrakes:\n"
	for i := range brakes {
		text += fmt.Sprintf(`  - name: quay-%d/main
    model: QK-90
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: %d, raw: [0, 4095], mm: [0, 10]}
      drive: {device: io, discrete: %d}
`, i, i, i)
	}
	site, problems := configs.Parse("test.yaml", []byte(text), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return site
}

// history stores cycles of steady wear, perDay a day of each brake.
func history(t testing.TB, db *store.DB, site *configs.Site, days, perDay int) {
	t.Helper()
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).UnixNano()
	random := rand.New(rand.NewPCG(6, 6))
	no := analysis.NoValue()
	for day := range days {
		var b store.Batch
		for i := range perDay {
			for k, brake := range site.Brakes {
				n := float64(day*perDay + i)
				b.Cycles = append(b.Cycles, store.CycleRow{Brake: brake.Name, Cycle: analysis.Cycle{
					AtNS: begin + int64(day)*int64(24*time.Hour) + int64(i)*int64(20*time.Hour)/int64(perDay) + int64(k)*1e6, OnNS: 4e9,
					GapMM: 1.6 + math.Mod(n*1e-5, 1.1) + 0.003*random.NormFloat64(), GapUMM: 0.003, GapUCalMM: no, ReleaseS: 0.2, ReleaseUS: 0.003,
					SetS: 0.25, SetUS: 0.003, SetLevelMM: 2, ReleasedLevelMM: 3.6, TemperatureC: no}})
			}
		}
		if err := db.Commit(t.Context(), &b); err != nil {
			t.Fatal(err)
		}
	}
}

func openHistory(t testing.TB) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

// TestRecallIsBoundedAndRepeatable recalls a long history twice, the second
// time after its old part has been rolled up.
func TestRecallIsBoundedAndRepeatable(t *testing.T) {
	site := historySite(t, 2)
	db := openHistory(t)
	const days, perDay = 110, 300
	history(t, db, site, days, perDay)
	end := func() (batch store.Batch) {
		p := NewPipeline(site.AnalysisSettings(), false)
		if _, err := recall(t.Context(), p, site, db, slog.New(slog.DiscardHandler)); err != nil {
			t.Fatal(err)
		}
		// One cycle more, and the forecasts at the end, show what is known.
		for i := range site.Brakes {
			no := analysis.NoValue()
			p.Recall(int32(i), analysis.Cycle{AtNS: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC).UnixNano(), GapMM: 1.9, GapUMM: 0.003, GapUCalMM: no,
				ReleaseS: 0.2, ReleaseUS: no, SetS: 0.25, SetUS: no, SetLevelMM: no, ReleasedLevelMM: no, TemperatureC: no}, &batch)
		}
		p.Flush(&batch)
		return batch
	}
	first := end()
	for _, v := range first.Verdicts {
		if v.Full != days*perDay+1 {
			t.Errorf("%d cycles of %s are counted, want all %d though not all are recalled", v.Full, v.Brake, days*perDay+1)
		}
	}
	keep := store.Keep{Cycles: 0, MostBytes: 1 << 40}
	// All that isn't needed for the start is rolled up: up to the week in which
	// recalling begins.
	from, _, _, err := db.RecallFrom(t.Context(), "quay-0/main", recallLeast)
	if err != nil || from == math.MinInt64 {
		t.Fatalf("recalling begins at %d (%v): the history is too short for this test", from, err)
	}
	for more := true; more; {
		did, err := db.Tidy(t.Context(), time.Unix(0, from), keep)
		if err != nil {
			t.Fatal(err)
		}
		more = did.More
	}
	if left, err := db.CyclesAfter(t.Context(), 0, 1); err != nil || len(left) != 1 || left[0].AtNS < from {
		t.Fatalf("nothing was rolled up: %+v (%v)", left, err)
	}
	second := end()
	if a, b := fmt.Sprintf("%+v", first), fmt.Sprintf("%+v", second); a != b || reflect.DeepEqual(first, store.Batch{}) {
		t.Errorf("after rolling up another state is recalled:\n%s\n%s", a, b)
	}
}

// BenchmarkRecall measures a start after a year of 300 cycles a day of each of
// 64 brakes, or of as many as GAPWARD_BRAKES says.
func BenchmarkRecall(b *testing.B) {
	brakes := 64
	if n, err := fmt.Sscan(os.Getenv("GAPWARD_BRAKES"), &brakes); err != nil && n > 0 {
		b.Fatal(err)
	}
	site := historySite(b, brakes)
	db := openHistory(b)
	history(b, db, site, 90, 300) // what came before that isn't touched
	for b.Loop() {
		p := NewPipeline(site.AnalysisSettings(), false)
		if _, err := recall(b.Context(), p, site, db, slog.New(slog.DiscardHandler)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/float64(brakes), "s/brake")
}

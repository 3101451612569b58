package page

import (
	"log/slog"
	"strings"
	"testing"

	"gapward/gateway/store"
)

// filledStore is a real store with the rows of one in memory.
func filledStore(t testing.TB, fake *fakeData) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	var b store.Batch
	for _, rows := range fake.cycles {
		b.Cycles = append(b.Cycles, rows...)
	}
	for name, v := range fake.verdicts {
		b.Verdicts = append(b.Verdicts, store.VerdictRow{Brake: name, Verdict: v})
	}
	for name, w := range fake.waves {
		b.Waveforms = append(b.Waveforms, store.WaveformRow{Brake: name, Waveform: w})
	}
	b.Forecasts, b.Alarms = fake.forecasts, fake.active
	changed := db.Changed()
	if err := db.Commit(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	<-changed
	return db
}

// The page's own fake must not be the only store that it works with.
func TestPageFromTheRealStore(t *testing.T) {
	deps, fake := harbourSite(t)
	db := filledStore(t, fake)
	fromFake, err := New(deps)
	if err != nil {
		t.Fatal(err)
	}
	deps.Data = db
	s := serverOf(t, deps)
	for _, path := range []string{"/", "/api/brakes", "/brake/pit/hoist", "/api/cycles/quay-1/main?limit=500"} {
		if got, want := get(s, path).Body.String(), get(fromFake, path).Body.String(); got != want {
			t.Errorf("%s from the store differs from that of the same rows in memory", path)
		}
	}
	text := words(get(s, "/brake/quay-2/main").Body.String())
	for _, want := range []string{"2.83 ± 0.04 mm", "Travel, released 4.930 mm", "11:53 full", "raised: Air gap is due for adjustment", "Figures of this plot"} {
		if !strings.Contains(text, want) {
			t.Errorf("the brake's page doesn't say %q", want)
		}
	}
	for _, path := range []string{"/plot/gap/quay-2/main.svg?span=30d", "/plot/gap/quay-2/main.svg?span=all", "/plot/cycle/quay-2/main.svg"} {
		w := get(s, path)
		if w.Code != 200 {
			t.Fatalf("%s: status %d", path, w.Code)
		}
		wellFormed(t, w.Body.Bytes())
	}
}

package store

import (
	"testing"

	"gapward/analysis"
)

func TestFilteredGapIsThinnedAndOfOneBrake(t *testing.T) {
	db := openAt(t, t.TempDir())
	var b Batch
	nan := analysis.NoValue()
	for i := range 1000 {
		f := analysis.Forecast{AtNS: int64(i+1) * 1e9, Limit: "adjust", LimitMM: 2.8, GapMM: 2 + float64(i)/1000, GapUMM: 0.01, WearUMPerK: nan, WearUUMPerK: nan}
		b.Forecasts = append(b.Forecasts, ForecastRow{Brake: "a", Forecast: f})
		f.Limit = "max"
		b.Forecasts = append(b.Forecasts, ForecastRow{Brake: "a", Forecast: f})
		f.Limit, f.GapMM = "adjust", 9
		b.Forecasts = append(b.Forecasts, ForecastRow{Brake: "b", Forecast: f})
	}
	if err := db.Commit(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	got, err := db.Filtered(t.Context(), "a", 100e9, 900e9, 50)
	if err != nil || len(got) < 45 || len(got) > 52 {
		t.Fatalf("%d points, %v", len(got), err)
	}
	for i, p := range got {
		if want := 2 + float64(p.AtNS/1e9-1)/1000; p.MM != want || p.UMM != 0.01 || p.AtNS < 100e9 || p.AtNS >= 900e9 || i > 0 && p.AtNS <= got[i-1].AtNS {
			t.Fatalf("point %d is %+v, want %v mm", i, p, want)
		}
	}
	if none, err := db.Filtered(t.Context(), "a", 2000e9, 3000e9, 50); err != nil || len(none) != 0 {
		t.Errorf("where there is none: %v, %v", none, err)
	}
}

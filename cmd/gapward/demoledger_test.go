package main

import (
	"testing"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
)

// The demonstration's ledger tells the same story as its history: what was
// taken off a gap is a whole number of steps, and all of it could have been
// entered by hand.
func TestHistoryEntriesTellTheStory(t *testing.T) {
	site, problems := configs.Parse("demo.yaml", demoSite, configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	from := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	settings := site.AnalysisSettings()
	rows := historyEntries(settings, from)
	of := map[string][]store.LedgerRow{}
	for _, r := range rows {
		if err := r.Check(from.AddDate(1, 0, 0).UnixNano()); err != nil {
			t.Errorf("%+v: %v", r, err)
		}
		of[r.Brake] = append(of[r.Brake], r)
	}
	adjusted := 0
	for _, s := range settings {
		use, story := analysis.UseOf(store.Entries(of[s.Name])), stories[s.Name]
		step, _ := s.Adjuster.Step()
		if got := float64(use.StepsUsed) * step.MM; got != story.adjustedMM {
			t.Errorf("%s: %d steps are %v mm, and the story has %v", s.Name, use.StepsUsed, got, story.adjustedMM)
		}
		if use.StepsUsed > 0 {
			adjusted++
		}
	}
	if adjusted != 2 || len(of["quay-2/main"]) != 2 {
		t.Errorf("%d brakes were adjusted: %+v", adjusted, rows)
	}
}

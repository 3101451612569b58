package main

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
)

// historyEntries are what the people of the demonstration did at the brakes,
// as they would have entered it: a lining before the history begins, and the
// adjustments in it. The names are invented.
func historyEntries(settings []analysis.Settings, from time.Time) (rows []store.LedgerRow) {
	add := func(brake string, at time.Time, kind analysis.EntryKind, steps int, note string) {
		e := analysis.NewEntry(kind, at.UnixNano(), "K. Berg")
		e.EnteredNS, e.Steps, e.Note = at.Add(20*time.Minute).UnixNano(), steps, note
		rows = append(rows, store.LedgerRow{Brake: brake, Entry: e})
	}
	for _, s := range settings {
		story := stories[s.Name]
		if s.Lining.ThicknessMM > 0 {
			add(s.Name, from.Add(-6*time.Hour), analysis.LiningFitted, 0, "demonstration")
			rows[len(rows)-1].GapMM = story.beganMM
		}
		step, ok := s.Adjuster.Step()
		if !ok || story.adjustedOn == 0 {
			continue
		}
		add(s.Name, story.adjustedAt(from), analysis.Adjustment, int(math.Round(story.adjustedMM/step.MM)), "demonstration")
	}
	slices.SortStableFunc(rows, func(a, b store.LedgerRow) int { return cmp.Compare(a.EnteredNS, b.EnteredNS) })
	return rows
}

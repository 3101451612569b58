package gateway

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
)

// recallLeast is from how many of its latest cycles each brake is brought back
// to where it was. A start must not take ever longer, and what a brake did that
// long ago moves no figure of today.
const recallLeast = 20_000

// recentAlarms is how many of the latest changes of alarms are looked at for a
// flood that may still be going on.
const recentAlarms = 5000

func events(rows []store.AlarmRow) []alerts.Event {
	list := make([]alerts.Event, len(rows))
	for i, r := range rows {
		list[i] = r.Event
	}
	return list
}

// recall brings the pipeline to where it was: the stored cycles are fed through
// it once more, and heard by nobody. Where there are many it begins with a week
// that is the same for every restart until another week of cycles is stored, so
// one restart is like the next. own is the latest change of the gateway's own
// alarm, the zero event where there is none.
func recall(ctx context.Context, p *Pipeline, site *configs.Site, db *store.DB, lg *slog.Logger) (own alerts.Event, err error) {
	began, n := time.Now(), 0
	names, find := brakeNames(site)
	from := map[string]int64{}
	for i, name := range names {
		fromNS, full, jogs, err := db.RecallFrom(ctx, name, recallLeast)
		if err != nil {
			return own, fmt.Errorf("recalling the stored cycles: %w", err)
		}
		from[name] = fromNS
		p.Counted(int32(i), full, jogs)
	}
	var unheard store.Batch
	err = db.EachCycleSince(ctx, func(brake string) int64 { return from[brake] }, func(c store.CycleRow) error {
		if i, known := find(c.Brake); known {
			p.Recall(i, c.Cycle, &unheard)
			unheard.Reset()
			n++
		}
		return nil
	})
	if err != nil {
		return own, fmt.Errorf("recalling the stored cycles: %w", err)
	}
	states, err := db.AlarmStates(ctx)
	if err != nil {
		return own, fmt.Errorf("recalling the alarms: %w", err)
	}
	var latest []alerts.Event
	for _, a := range states {
		if a.Key() == (alerts.Key{Condition: analysis.GatewayFault}) {
			own = a.Event
			continue
		}
		latest = append(latest, a.Event)
	}
	recent, err := db.Alarms(ctx, "", recentAlarms)
	if err != nil {
		return own, fmt.Errorf("recalling the alarms: %w", err)
	}
	slices.Reverse(recent)
	p.Resume(latest, events(recent))
	lg.Info("recalled", "cycles", n, "took", time.Since(began).Round(time.Millisecond))
	return own, nil
}

// Counted adds cycles that were counted before the first that is recalled.
func (p *Pipeline) Counted(brake int32, full, jogs int64) { p.lines[brake].brake.Counted(full, jogs) }

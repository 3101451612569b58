package export

import (
	"context"

	"gapward/gateway/store"
)

// position is how far a sink has come in each stream: the highest id that its
// far end has confirmed.
type position struct{ alarm, verdict, forecast, cycle int64 }

// loadPosition reads the sink's cursors. One that has never been saved begins
// at 0, or for a sink that wants no history at what is newest now.
func loadPosition(ctx context.Context, db *store.DB, sink string, wants Wants) (position, error) {
	saved, err := db.Cursors(ctx, sink+"/")
	if err != nil {
		return position{}, err
	}
	var newest store.Newest
	if !wants.History {
		if newest, err = db.Newest(ctx); err != nil {
			return position{}, err
		}
	}
	begin := map[string]int64{}
	from := func(stream string, wanted bool, fresh int64) int64 {
		id, ok := saved[sink+"/"+stream]
		if !ok && wanted {
			id = fresh
			begin[sink+"/"+stream] = id
		}
		return id
	}
	p := position{
		alarm:    from("alarms", wants.Alarms, newest.Alarm),
		verdict:  from("verdicts", wants.Verdicts, 0),
		forecast: from("forecasts", wants.Forecasts, newest.Forecast),
		cycle:    from("cycles", wants.Cycles, newest.Cycle),
	}
	if len(begin) == 0 {
		return p, nil
	}
	// Saved at once: rows stored from now on are not history, even if the first
	// delivery happens after a restart.
	return p, db.SetCursors(ctx, begin)
}

// read reads the next rows: alarms first and cycles last, a batch in all.
func (p position) read(ctx context.Context, db *store.DB, wants Wants) (r Rows, err error) {
	if wants.Alarms {
		if r.Alarms, err = db.AlarmsAfter(ctx, p.alarm, batchSize); err != nil {
			return Rows{}, err
		}
	}
	if wants.Verdicts && r.Len() < batchSize {
		if r.Verdicts, err = db.VerdictsAfter(ctx, p.verdict, batchSize-r.Len()); err != nil {
			return Rows{}, err
		}
	}
	if wants.Forecasts && r.Len() < batchSize {
		if r.Forecasts, err = db.ForecastsAfter(ctx, p.forecast, batchSize-r.Len()); err != nil {
			return Rows{}, err
		}
	}
	if wants.Cycles && r.Len() < batchSize {
		if r.Cycles, err = db.CyclesAfter(ctx, p.cycle, batchSize-r.Len()); err != nil {
			return Rows{}, err
		}
	}
	return r, nil
}

// after is the position when rows have been delivered.
func (p position) after(r Rows) position {
	if n := len(r.Alarms); n > 0 {
		p.alarm = r.Alarms[n-1].ID
	}
	if n := len(r.Verdicts); n > 0 {
		p.verdict = r.Verdicts[n-1].Rev
	}
	if n := len(r.Forecasts); n > 0 {
		p.forecast = r.Forecasts[n-1].ID
	}
	if n := len(r.Cycles); n > 0 {
		p.cycle = r.Cycles[n-1].ID
	}
	return p
}

// save writes the cursors that differ from before.
func (p position) save(ctx context.Context, db *store.DB, sink string, before position) error {
	moved := map[string]int64{}
	for _, c := range []struct {
		stream   string
		now, was int64
	}{
		{"alarms", p.alarm, before.alarm}, {"verdicts", p.verdict, before.verdict},
		{"forecasts", p.forecast, before.forecast}, {"cycles", p.cycle, before.cycle},
	} {
		if c.now != c.was {
			moved[sink+"/"+c.stream] = c.now
		}
	}
	// The far end has the rows: even when the daemon is stopping, say so.
	return db.SetCursors(context.WithoutCancel(ctx), moved)
}

// backlog counts the rows that are stored and not delivered.
func (p position) backlog(newest store.Newest, wants Wants) int64 {
	var n int64
	if wants.Alarms {
		n += max(0, newest.Alarm-p.alarm)
	}
	if wants.Forecasts {
		n += max(0, newest.Forecast-p.forecast)
	}
	if wants.Cycles {
		n += max(0, newest.Cycle-p.cycle)
	}
	return n
}

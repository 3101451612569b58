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

// recalled is what a recall finds beside the state that it brings back.
type recalled struct {
	own  alerts.Event // latest change of the gateway's own alarm, the zero event where there is none
	left store.Batch  // what the last run caused and had no time to store
}

// recall brings the pipeline to where it was: the stored cycles and the ledger
// are fed through it once more, in the order in which they were stored, and
// heard by nobody; what was learned from samples is put back; each alarm is put
// where its latest event left it. Where there are many cycles it begins with a
// week that is the same for every restart until another week of cycles is
// stored, so one restart is like the next.
func recall(ctx context.Context, p *Pipeline, site *configs.Site, db *store.DB, lg *slog.Logger) (r recalled, err error) {
	began := time.Now()
	h, err := newPast(ctx, p, site, db)
	if err != nil {
		return r, err
	}
	if err := h.run(ctx); err != nil {
		return r, err
	}
	if err := p.learnAll(ctx, h.find, db, lg); err != nil {
		return r, err
	}
	if r.own, err = p.resume(ctx, db); err != nil {
		return r, err
	}
	p.Restart()
	for i := range p.lines {
		l := &p.lines[i]
		if n := len(h.entries[i]); n > 0 {
			l.brake.TellStep(h.entries[i][n-1].EnteredNS, &p.out)
			p.collect(l, &r.left)
		}
		p.standing(int32(i), h.entries[i], &r.left)
	}
	if err := h.leftOver(ctx, &r.left); err != nil {
		return r, err
	}
	lg.Info("recalled", "cycles", h.cycles, "entries", h.fed, "took", time.Since(began).Round(time.Millisecond))
	return r, nil
}

// learnAll puts back what every brake had learned. What can't be used is learned
// anew, which takes some hundred cycles.
func (p *Pipeline) learnAll(ctx context.Context, find func(string) (int32, bool), db *store.DB, lg *slog.Logger) error {
	rows, err := db.Learned(ctx)
	if err != nil {
		return fmt.Errorf("recalling what was learned: %w", err)
	}
	for _, row := range rows {
		i, known := find(row.Brake)
		if !known {
			continue
		}
		if err := p.learn(i, row); err != nil {
			lg.Warn("what was learned from this brake's samples is learned anew", "brake", row.Brake, "reason", err)
		}
	}
	return nil
}

// resume puts the alarms where their stored events left them.
func (p *Pipeline) resume(ctx context.Context, db *store.DB) (own alerts.Event, err error) {
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
	return own, nil
}

// past is the stored cycles and the ledger on their way through a pipeline.
type past struct {
	p    *Pipeline
	db   *store.DB
	find func(string) (int32, bool)

	fromNS []int64 // of each brake: what is older isn't fed
	nextID int64   // of the cycles
	ledger []store.LedgerRow
	unfed  int // the first entry that waits

	entries     [][]analysis.Entry // of each brake, so far
	checks      map[int64]store.WorkCheckRow
	offers      map[string]store.OfferRow
	cycles, fed int
}

func newPast(ctx context.Context, p *Pipeline, site *configs.Site, db *store.DB) (*past, error) {
	names, find := brakeNames(site)
	h := &past{p: p, db: db, find: find, entries: make([][]analysis.Entry, len(names)),
		checks: map[int64]store.WorkCheckRow{}, offers: map[string]store.OfferRow{}}
	for i, name := range names {
		fromNS, full, jogs, err := db.RecallFrom(ctx, name, recallLeast)
		if err != nil {
			return nil, fmt.Errorf("recalling the stored cycles: %w", err)
		}
		h.fromNS = append(h.fromNS, fromNS)
		p.lines[i].brake.Counted(full, jogs)
		id, ok, err := db.FirstCycle(ctx, name, fromNS)
		if err != nil {
			return nil, fmt.Errorf("recalling the stored cycles: %w", err)
		}
		if ok && (h.nextID == 0 || id < h.nextID) {
			h.nextID = id
		}
	}
	var err error
	if h.ledger, err = db.Ledger(ctx, ""); err != nil {
		return nil, fmt.Errorf("recalling the ledger: %w", err)
	}
	return h, nil
}

// run feeds all there is, in the order in which it was stored: the brakes of a
// model learn from each other, so that their order counts.
func (h *past) run(ctx context.Context) error {
	const chunk = 4096
	for h.nextID > 0 {
		rows, err := h.db.CyclesAfter(ctx, h.nextID-1, chunk)
		if err != nil {
			return fmt.Errorf("recalling the stored cycles: %w", err)
		}
		for _, c := range rows {
			h.feedEntries(func(e *store.LedgerRow) bool {
				if e.AfterCycle < 0 { // its place wasn't noted
					return e.EnteredNS <= c.AtNS
				}
				return e.AfterCycle < c.ID
			})
			if i, known := h.find(c.Brake); known && c.AtNS >= h.fromNS[i] {
				h.p.recall(i, c.Cycle)
				h.gather(i)
				h.cycles++
			}
		}
		if len(rows) < chunk {
			break
		}
		h.nextID = rows[len(rows)-1].ID + 1
	}
	h.feedEntries(func(*store.LedgerRow) bool { return true })
	return nil
}

// feedEntries feeds the entries that come next for as long as their turn has
// come.
func (h *past) feedEntries(due func(*store.LedgerRow) bool) {
	for ; h.unfed < len(h.ledger) && due(&h.ledger[h.unfed]); h.unfed++ {
		e := &h.ledger[h.unfed]
		i, known := h.find(e.Brake)
		if !known {
			continue
		}
		h.entries[i] = append(h.entries[i], e.Entry)
		h.p.lines[i].brake.Entered(e.Entry, h.entries[i], &h.p.out)
		h.gather(i)
		h.fed++
	}
}

// gather keeps what should be stored of how work turned out, and lets all else
// go unheard.
func (h *past) gather(i int32) {
	name := h.p.lines[i].name
	for _, c := range h.p.out.Checks {
		h.checks[c.Entry] = store.WorkCheckRow{Brake: name, WorkCheck: c}
	}
	for _, o := range h.p.out.Offers {
		h.offers[name] = store.OfferRow{Brake: name, Offered: o}
	}
	h.p.out.Reset()
}

// recall feeds a stored cycle, which nobody hears of.
func (p *Pipeline) recall(brake int32, c analysis.Cycle) { p.lines[brake].brake.Recall(c, &p.out) }

// leftOver adds what was found of work at the adjusters and isn't stored: the
// last run was killed between an entry and what it caused. A check whose cycles
// are too old to be recalled is not among them.
func (h *past) leftOver(ctx context.Context, batch *store.Batch) error {
	stored, err := h.db.WorkChecks(ctx, "")
	if err != nil {
		return fmt.Errorf("recalling how works turned out: %w", err)
	}
	have := map[int64]store.WorkCheckRow{}
	for _, c := range stored {
		have[c.Entry] = c
	}
	for _, e := range h.ledger {
		c, found := h.checks[e.ID]
		was, there := have[e.ID]
		if found && (!there || was.Outcome == analysis.Waiting && was.Cycles < c.Cycles) {
			batch.Checks = append(batch.Checks, c)
		}
	}
	offers, err := h.db.Offers(ctx, "")
	if err != nil {
		return fmt.Errorf("recalling the steps not entered: %w", err)
	}
	standing := map[string]int{}
	for _, o := range offers {
		standing[o.Brake] = o.Steps
	}
	for i := range h.p.lines {
		if o, found := h.offers[h.p.lines[i].name]; found && o.Steps != standing[o.Brake] {
			batch.Offers = append(batch.Offers, o)
		}
	}
	return nil
}

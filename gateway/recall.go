package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"slices"
	"sync"
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
	err = h.run(ctx, h.kin())
	if errors.Is(err, store.ErrUnordered) {
		// Some have been fed: all begin anew, in one line.
		lg.Info("the clock was set back between two runs; the cycles are recalled in the order in which they were stored, which takes longer")
		if err := p.forget(site); err != nil {
			return r, err
		}
		if h, err = newPast(ctx, p, site, db); err != nil {
			return r, err
		}
		err = h.inLine(ctx)
	}
	if err != nil {
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

// forget makes the brakes anew.
func (p *Pipeline) forget(site *configs.Site) error {
	fresh, err := NewSitePipeline(site, site.AnalysisSettings())
	if err != nil {
		return err
	}
	fresh.waves = p.waves
	*p = *fresh
	return nil
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
	p      *Pipeline
	db     *store.DB
	find   func(string) (int32, bool)
	fromNS map[string]int64 // of each brake: what is older isn't fed
	ledger []store.LedgerRow

	entries     [][]analysis.Entry // of each brake, so far
	checks      map[int64]store.WorkCheckRow
	offers      map[string]store.OfferRow
	cycles, fed int
}

func newPast(ctx context.Context, p *Pipeline, site *configs.Site, db *store.DB) (*past, error) {
	names, find := brakeNames(site)
	h := &past{p: p, db: db, find: find, fromNS: map[string]int64{}, entries: make([][]analysis.Entry, len(names)),
		checks: map[int64]store.WorkCheckRow{}, offers: map[string]store.OfferRow{}}
	for i, name := range names {
		fromNS, full, jogs, err := db.RecallFrom(ctx, name, recallLeast)
		if err != nil {
			return nil, fmt.Errorf("recalling the stored cycles: %w", err)
		}
		h.fromNS[name] = fromNS
		p.lines[i].brake.Counted(full, jogs)
	}
	var err error
	if h.ledger, err = db.Ledger(ctx, ""); err != nil {
		return nil, fmt.Errorf("recalling the ledger: %w", err)
	}
	return h, nil
}

// kin are the brakes that learn from each other, whose cycles must be fed in one
// line. Others know nothing of them.
func (h *past) kin() (groups [][]string) {
	of := map[string]int{}
	for i := range h.p.lines {
		l := &h.p.lines[i]
		at, known := of[l.model]
		if l.model == "" || !known {
			at = len(groups)
			groups = append(groups, nil)
			if l.model != "" {
				of[l.model] = at
			}
		}
		groups[at] = append(groups[at], l.name)
	}
	return groups
}

// recallers is how many groups of brakes are recalled at a time: reading is most
// of the work, and there are four readers.
const recallers = 4

// run feeds all there is, several groups of brakes at a time.
func (h *past) run(ctx context.Context, groups [][]string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	todo := make(chan []string, len(groups))
	for _, g := range groups {
		todo <- g
	}
	close(todo)
	done := make(chan error)
	var mu sync.Mutex
	workers := min(recallers, runtime.GOMAXPROCS(0))
	for range workers {
		go func() {
			for names := range todo {
				s := stream{past: h}
				from := map[string]int64{}
				for _, name := range names {
					from[name] = h.fromNS[name]
				}
				for _, e := range h.ledger {
					if _, ours := from[e.Brake]; ours {
						s.unfed = append(s.unfed, e)
					}
				}
				if err := h.db.EachCycle(ctx, from, s.feed); err != nil {
					cancel()
					done <- fmt.Errorf("recalling the stored cycles: %w", err)
					return
				}
				s.feedEntries(func(*store.LedgerRow) bool { return true })
				mu.Lock()
				h.add(&s)
				mu.Unlock()
			}
			done <- nil
		}()
	}
	var first error
	for range workers {
		if err := <-done; first == nil || errors.Is(err, store.ErrUnordered) {
			first = err
		}
	}
	return first
}

// inLine feeds all brakes' cycles by their ids.
func (h *past) inLine(ctx context.Context) error {
	const chunk = 4096
	s := stream{past: h, unfed: h.ledger}
	for id := int64(0); ; {
		rows, err := h.db.CyclesAfter(ctx, id, chunk)
		if err != nil {
			return fmt.Errorf("recalling the stored cycles: %w", err)
		}
		for _, c := range rows {
			if from, known := h.fromNS[c.Brake]; known && c.AtNS >= from {
				if err := s.feed(c); err != nil {
					return err
				}
			}
		}
		if len(rows) < chunk {
			break
		}
		id = rows[len(rows)-1].ID
	}
	s.feedEntries(func(*store.LedgerRow) bool { return true })
	h.add(&s)
	return nil
}

// add takes what a stream has found.
func (h *past) add(s *stream) {
	for _, c := range s.checks {
		h.checks[c.Entry] = c
	}
	for _, o := range s.offers {
		h.offers[o.Brake] = o
	}
	h.cycles += s.cycles
	h.fed += s.fed
}

// stream is the cycles and entries of some brakes in the order in which they
// were stored.
type stream struct {
	*past
	out         analysis.Out
	unfed       []store.LedgerRow // entries that wait for their turn
	checks      []store.WorkCheckRow
	offers      []store.OfferRow
	cycles, fed int
}

// feed takes a cycle, and before it the entries that were made before.
func (s *stream) feed(c store.CycleRow) error {
	s.feedEntries(func(e *store.LedgerRow) bool {
		if e.AfterCycle < 0 { // its place wasn't noted
			return e.EnteredNS <= c.AtNS
		}
		return e.AfterCycle < c.ID
	})
	if i, known := s.find(c.Brake); known {
		s.p.lines[i].brake.Recall(c.Cycle, &s.out)
		s.gather(i)
		s.cycles++
	}
	return nil
}

// feedEntries feeds the entries that come next for as long as their turn has
// come.
func (s *stream) feedEntries(due func(*store.LedgerRow) bool) {
	for ; len(s.unfed) > 0 && due(&s.unfed[0]); s.unfed = s.unfed[1:] {
		e := &s.unfed[0]
		i, known := s.find(e.Brake)
		if !known {
			continue
		}
		s.entries[i] = append(s.entries[i], e.Entry)
		s.p.lines[i].brake.Entered(e.Entry, s.entries[i], &s.out)
		s.gather(i)
		s.fed++
	}
}

// gather keeps what should be stored of how work turned out, and lets all else
// go unheard.
func (s *stream) gather(i int32) {
	name := s.p.lines[i].name
	for _, c := range s.out.Checks {
		s.checks = append(s.checks, store.WorkCheckRow{Brake: name, WorkCheck: c})
	}
	for _, o := range s.out.Offers {
		s.offers = append(s.offers, store.OfferRow{Brake: name, Offered: o})
	}
	s.out.Reset()
}

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

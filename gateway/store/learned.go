package store

import (
	"context"
	"errors"
	"fmt"
)

// LearnedRow is what a brake has learned from raw samples: one row a brake,
// replaced. Cycle is given by [DB.Commit].
type LearnedRow struct {
	Brake    string
	Cycle    int64  // highest id of a cycle when it was stored
	Settings string // mark of the settings that it was learned with
	State    []byte
}

func (c *committing) learned(r *LearnedRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	r.Cycle = c.next.cycle - 1
	_, err = c.exec(c.d.st.putLearned, brake, r.Cycle, r.Settings, r.State)
	return err
}

// Learned reads what each brake has learned.
func (d *DB) Learned(ctx context.Context) ([]LearnedRow, error) {
	return list(ctx, d, "what was learned", func(s scanner) (r LearnedRow, err error) {
		err = s.Scan(&r.Brake, &r.Cycle, &r.Settings, &r.State)
		return r, err
	}, "SELECT b.name, t.cycle, t.settings, t.state FROM learned t JOIN brakes b ON b.id = t.brake ORDER BY t.brake")
}

// errNoEntry is what a check of work that isn't in the ledger is refused with.
var errNoEntry = errors.New("there is no such entry in the ledger")

func (c *committing) workCheck(r *WorkCheckRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	if r.Entry <= 0 || r.Entry >= c.next.entry {
		return fmt.Errorf("%w: %d", errNoEntry, r.Entry)
	}
	_, err = c.exec(c.d.st.putWorkCheck, brake, r.Entry, r.AtNS, int64(r.Outcome), int64(r.Cycles), figure(r.GapMM), figure(r.GapUMM),
		figure(r.OffMM), figure(r.UMM), int64(r.Short), int64(r.State), r.Words)
	return err
}

// WorkChecks reads how the works at a brake's adjuster turned out, or at all
// brakes' where it is empty: the newest entry first. The latest may still be
// waiting for its cycles.
func (d *DB) WorkChecks(ctx context.Context, brake string) ([]WorkCheckRow, error) {
	return list(ctx, d, "how works turned out", func(s scanner) (r WorkCheckRow, err error) {
		err = s.Scan(&r.Brake, &r.Entry, &r.AtNS, &r.Outcome, &r.Cycles, nan(&r.GapMM), nan(&r.GapUMM), nan(&r.OffMM), nan(&r.UMM), &r.Short, &r.State, &r.Words)
		return r, err
	}, "SELECT "+columns(workCheckFigures)+" FROM work_checks t JOIN brakes b ON b.id = t.brake WHERE ?1 = '' OR b.name = ?1 ORDER BY t.entry DESC", brake)
}

func (c *committing) offer(r *OfferRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	if r.Steps == 0 {
		_, err = c.exec(c.d.st.dropOffer, brake)
		return err
	}
	_, err = c.exec(c.d.st.putOffer, brake, r.AtNS, int64(r.Steps), r.FromMM, r.ToMM, r.Words)
	return err
}

// Offers reads the steps of gaps that look like adjustments nobody entered, of
// a brake or of all where it is empty.
func (d *DB) Offers(ctx context.Context, brake string) ([]OfferRow, error) {
	return list(ctx, d, "the steps not entered", func(s scanner) (r OfferRow, err error) {
		err = s.Scan(&r.Brake, &r.AtNS, &r.Steps, &r.FromMM, &r.ToMM, &r.Words)
		return r, err
	}, "SELECT "+columns(offerFigures)+" FROM offers t JOIN brakes b ON b.id = t.brake WHERE ?1 = '' OR b.name = ?1 ORDER BY t.brake", brake)
}

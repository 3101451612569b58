package gateway

import (
	"context"
	"errors"
	"time"

	"gapward/gateway/store"
)

// desk is where entries of the ledger are handed in while the daemon runs. The
// owner alone writes the store, so it is the owner that stores them, between
// two turns of the pipeline.
type desk struct {
	*store.DB // reads
	entries   chan entering
	acts      chan acting
	ended     <-chan struct{} // closed when the owner has ended
}

// entering is an entry on its way to the owner.
type entering struct {
	row  store.LedgerRow
	done chan<- entered // takes one without waiting
}

// entered is what became of it.
type entered struct {
	row store.LedgerRow
	err error
}

// enterWithin is how long an entry may wait for the owner.
const enterWithin = 10 * time.Second

// Enter has the owner store an entry, and returns it with its id. It has been
// checked before, but for what only the store can tell.
func (d *desk) Enter(ctx context.Context, row store.LedgerRow) (store.LedgerRow, error) {
	ctx, cancel := context.WithTimeout(ctx, enterWithin)
	defer cancel()
	done := make(chan entered, 1)
	select {
	case d.entries <- entering{row, done}:
	case <-d.ended:
		return store.LedgerRow{}, errors.New("the daemon is stopping")
	case <-ctx.Done():
		return store.LedgerRow{}, errors.New("the daemon is too busy to take an entry")
	}
	e := <-done // the owner answers what it has taken
	return e.row, e.err
}

// enter stores one entry, in a transaction of its own: one that can't be stored
// must not hold back what was measured. Then the pipeline takes it in. What was
// measured before is stored before, so that a restart finds the entry where it
// was made.
func (o *owner) enter(ctx context.Context, e entering, m moment) {
	nowNS, _ := o.clock.read(m)
	if o.commit(ctx, nowNS, m.passed); !o.batch.Empty() {
		e.done <- entered{e.row, errors.New("the database takes nothing just now; try again when it does")}
		return
	}
	b := store.Batch{Ledger: []store.LedgerRow{e.row}}
	err := o.db.Commit(context.WithoutCancel(ctx), &b)
	if err == nil {
		r := b.Ledger[0]
		o.log.Info("entered into the ledger", "id", r.ID, "brake", r.Brake, "kind", r.Kind, "who", r.Who)
		o.committed(&b)
		o.acted(ctx, r)
		o.commit(ctx, nowNS, m.passed)
	}
	e.done <- entered{b.Ledger[0], err}
}

// acted has the pipeline take in an entry that is stored. Where the ledger can't
// be read it is taken in at the next start.
func (o *owner) acted(ctx context.Context, r store.LedgerRow) {
	i := o.pipeline.Place(r.Brake)
	if i < 0 {
		return
	}
	rows, err := o.db.Ledger(context.WithoutCancel(ctx), r.Brake)
	if err != nil {
		o.log.Error("reading the ledger; the entry is stored, and counts from the next start", "id", r.ID, "error", err)
		return
	}
	o.pipeline.Entered(i, r.Entry, store.Entries(rows), &o.batch)
}

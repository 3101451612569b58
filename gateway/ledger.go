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
// must not hold back what was measured.
func (o *owner) enter(ctx context.Context, e entering) {
	b := store.Batch{Ledger: []store.LedgerRow{e.row}}
	err := o.db.Commit(context.WithoutCancel(ctx), &b)
	if err == nil {
		r := b.Ledger[0]
		o.log.Info("entered into the ledger", "id", r.ID, "brake", r.Brake, "kind", r.Kind, "who", r.Who)
		o.committed(&b)
	}
	e.done <- entered{b.Ledger[0], err}
}

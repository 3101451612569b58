package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"time"
)

// Damaged reports whether an error of the store says that the file's content is
// broken, and not merely that it can't be reached.
func Damaged(err error) bool { return isDamage(err) }

// Suspected reports whether a read or write since the latest [DB.Renew] met
// damage, and whether the file is gone from where it was opened: somebody took
// it away, or put another in its place. What is written then is lost with the
// next restart.
func (d *DB) Suspected() (damaged, gone bool) {
	now, err := os.Stat(d.path)
	return d.met.Load(), errors.Is(err, os.ErrNotExist) || err == nil && !os.SameFile(now, d.opened)
}

// Renew opens the database anew while the daemon runs, once nobody reads it, and
// checks it first. Where it is damaged, or must be taken for it, it is set aside
// and an empty one takes its place, as with [Open]. Ids
// go on from where they were, so that readers with cursors in their memory miss
// nothing. What the damaged file still tells of the ledger is taken over.
//
// With an error the store is closed for reads and writes; Renew may be called
// again.
func (d *DB) Renew(ctx context.Context, takeForDamaged bool) (r Renewed, err error) {
	if d.lock == nil {
		return r, ErrReadOnly
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return r, errClosed
	}
	d.gate.Lock()
	defer d.gate.Unlock()
	next := d.next
	_ = d.closePools() // a broken file is let go of as well as can be
	d.markSuspect()    // it is checked
	d.setAside, d.setAsideEntries = "", 0
	if err := d.openOrSetAside(ctx, takeForDamaged); err != nil {
		return r, fmt.Errorf("opening database %s anew: %w", d.path, err)
	}
	d.met.Store(false)
	d.next = d.next.atLeast(next)
	return Renewed{Aside: d.setAside, Entries: d.setAsideEntries, Empty: d.setAside != "" || len(d.brakes) == 0}, nil
}

// Renewed is what became of a database that was opened anew.
type Renewed struct {
	Aside   string // where the damaged file is; empty: it was not damaged
	Entries int    // of the ledger, taken over from it
	Empty   bool   // it begins anew
}

func (n nextIDs) atLeast(m nextIDs) nextIDs {
	return nextIDs{max(n.cycle, m.cycle), max(n.forecast, m.forecast), max(n.alarm, m.alarm), max(n.rev, m.rev), max(n.entry, m.entry)}
}

// openOrSetAside opens the file, or sets it aside and makes a new one.
func (d *DB) openOrSetAside(ctx context.Context, takeForDamaged bool) error {
	err := d.open(ctx)
	if err == nil && takeForDamaged {
		err = errors.Join(errDamaged{"it reads as sound and yet fails again and again"}, d.closePools())
	}
	if !isDamage(err) {
		return err
	}
	aside, moveErr := d.moveAside(time.Now())
	if moveErr != nil {
		return fmt.Errorf("%w; and it could not be set aside: %w", err, moveErr)
	}
	d.lg.Error("the database is damaged; it is set aside and an empty one takes its place: history, forecasts and cursors begin anew",
		"error", err, "damaged", aside, "database", d.path)
	d.setAside = aside
	if err := d.open(ctx); err != nil {
		return err
	}
	saved, saveErr := d.saveLedger(ctx, aside)
	if saveErr != nil {
		d.lg.Error("not all of the ledger could be read from the damaged database", "entries", saved, "error", saveErr)
	} else if saved > 0 {
		d.lg.Info("the ledger was taken over from the damaged database", "entries", saved)
	}
	d.setAsideEntries = saved
	return nil
}

// SavedEntries is how many entries of the ledger were taken over from the
// database that was set aside.
func (d *DB) SavedEntries() int { return d.setAsideEntries }

// saveLedger takes over what a damaged database still tells of the ledger: what
// people entered, nobody can measure again. It reads from both ends up to where
// the file is broken.
func (d *DB) saveLedger(ctx context.Context, aside string) (saved int, err error) {
	from, err := pool(aside, 1, url.Values{"_query_only": {"1"}})
	if err != nil {
		return 0, err
	}
	defer func() { _ = from.Close() }()
	entries := map[int64]LedgerRow{}
	var errs []error
	for _, order := range []string{"", " DESC"} {
		err := eachRow(ctx, from, func(rows *sql.Rows) error {
			r, err := scanEntry(rows)
			if err == nil {
				entries[r.ID] = r
			}
			return err
		}, "SELECT "+columns(ledgerFigures)+ledgerQuery+" ORDER BY t.id"+order)
		if err == nil {
			errs = nil
			break
		}
		errs = append(errs, err)
	}
	list := make([]LedgerRow, 0, len(entries))
	for _, r := range entries {
		list = append(list, r)
	}
	slices.SortFunc(list, func(a, b LedgerRow) int { return cmp.Compare(a.ID, b.ID) })
	for i := range list {
		r := &list[i]
		if _, there := entries[r.Corrects]; r.Corrects != 0 && !there {
			r.Corrects = 0 // what it corrected is lost
		}
		if err := d.insertSaved(ctx, r); err != nil {
			errs = append(errs, err)
			continue
		}
		saved++
	}
	return saved, errors.Join(errs...)
}

// insertSaved stores a saved entry under its old id, in a transaction of its
// own. It stands before all cycles, for those are gone.
func (d *DB) insertSaved(ctx context.Context, r *LedgerRow) error {
	next := d.next
	next.entry = r.ID
	c := committing{ctx: ctx, d: d, next: next}
	var err error
	if c.tx, err = d.write.BeginTx(ctx, nil); err != nil {
		return err
	}
	defer func() { _ = c.tx.Rollback() }() // does nothing once committed
	if err := c.entry(r); err != nil {
		return err
	}
	if err := c.tx.Commit(); err != nil {
		return err
	}
	d.next.entry = max(d.next.entry, r.ID+1)
	return nil
}

func eachRow(ctx context.Context, from *sql.DB, do func(*sql.Rows) error, query string) error {
	rows, err := from.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }() // what matters of it, Err has told
	for rows.Next() {
		if err := do(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// markSuspect leaves a note for the next opening to check everything.
func (d *DB) markSuspect() {
	if f, err := os.OpenFile(d.beside(suspectName), os.O_CREATE|os.O_WRONLY, 0o640); err == nil {
		_ = f.Close()
	}
}

// row reads one row. Reads hold the gate, which [DB.Renew] shuts.
func (d *DB) row(ctx context.Context, scan func(scanner) error, query string, args ...any) error {
	d.gate.RLock()
	defer d.gate.RUnlock()
	return scan(d.read.QueryRowContext(ctx, query, args...))
}

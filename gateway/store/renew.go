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
	"strings"
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
	if err := d.goOnAfter(ctx, next, nil); err != nil {
		d.lg.Warn("a restart before the next row is stored will number anew", "error", err)
	}
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
	err := d.emptied()
	if err == nil {
		err = d.open(ctx)
	}
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
	d.lg.Error("the database is damaged; it is set aside and an empty one takes its place: history and forecasts begin anew",
		"error", err, "damaged", aside, "database", d.path)
	d.setAside = aside
	if err := d.open(ctx); err != nil {
		return err
	}
	if ids, cursors := readMarks(ctx, aside); ids != (nextIDs{}) || len(cursors) > 0 {
		if err := d.goOnAfter(ctx, ids, cursors); err != nil {
			d.lg.Error("ids and cursors could not be taken over from the damaged database", "error", err)
		}
		d.lg.Info("ids and cursors go on after those that could be read of the damaged database", "next_cycle", d.next.cycle, "cursors", len(cursors))
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

// emptied tells of a file without content and without a log to make it good: what
// a file system may leave of one after a power cut. SQLite would take it for new,
// and a history would be gone without a word.
func (d *DB) emptied() error {
	file, err := os.Stat(d.path)
	if err != nil || file.Size() > 0 {
		return nil // not there, or to be looked into by whoever opens it
	}
	if wal, err := os.Stat(d.path + "-wal"); err == nil && wal.Size() > 0 {
		return nil
	}
	return errDamaged{"it is empty"}
}

// readMarks reads what a damaged database still tells of the ids that it gave,
// and of how far each reader had come. What can't be read is 0 or missing.
func readMarks(ctx context.Context, aside string) (next nextIDs, cursors map[string]int64) {
	from, err := pool(aside, 1, url.Values{"_query_only": {"1"}})
	if err != nil {
		return next, nil
	}
	defer func() { _ = from.Close() }()
	latest := func(query string) int64 {
		var id sql.NullInt64
		if err := from.QueryRowContext(ctx, query).Scan(&id); err != nil || !id.Valid {
			return 0
		}
		return id.Int64 + 1
	}
	next = nextIDs{cycle: latest("SELECT max(id) FROM cycles"), forecast: latest("SELECT max(id) FROM forecasts"), alarm: latest("SELECT max(id) FROM alarms"),
		rev: latest("SELECT max(rev) FROM verdicts"), entry: latest("SELECT max(id) FROM ledger")}
	cursors = map[string]int64{}
	for _, query := range []string{"SELECT name, id FROM cursors", "SELECT '/' || stream, id FROM given"} {
		_ = eachRow(ctx, from, func(rows *sql.Rows) error { // as far as it goes
			var name string
			var id int64
			err := rows.Scan(&name, &id)
			if err != nil {
				return err
			}
			_, stream, _ := strings.Cut(name, "/")
			next = next.atLeast(next.after(stream, id))
			if !strings.HasPrefix(name, "/") {
				cursors[name] = id
			}
			return nil
		}, query)
	}
	return next, cursors
}

// after is the ids after one of a stream.
func (n nextIDs) after(stream string, id int64) nextIDs {
	switch stream {
	case "cycles":
		n.cycle = id + 1
	case "forecasts":
		n.forecast = id + 1
	case "alarms":
		n.alarm = id + 1
	case "verdicts":
		n.rev = id + 1
	case "ledger":
		n.entry = id + 1
	}
	return n
}

// goOnAfter has the ids go on from some, for good, and takes cursors over.
func (d *DB) goOnAfter(ctx context.Context, next nextIDs, cursors map[string]int64) error {
	d.next = d.next.atLeast(next)
	tx, err := d.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing once committed
	for stream, id := range map[string]int64{"cycles": next.cycle, "forecasts": next.forecast, "alarms": next.alarm, "verdicts": next.rev, "ledger": next.entry} {
		if id <= 1 {
			continue
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO given (stream, id) VALUES (?, ?) ON CONFLICT (stream) DO UPDATE SET id = max(id, excluded.id)", stream, id-1); err != nil {
			return fmt.Errorf("keeping the latest ids: %w", err)
		}
	}
	for name, id := range cursors {
		if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO cursors (name, id) VALUES (?, ?)", name, id); err != nil {
			return fmt.Errorf("taking over cursor %s: %w", name, err)
		}
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("keeping the latest ids: %w", err)
	}
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

package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
)

// SetCursor saves how far a reader has come. A cursor is the reader's name and
// the stream's, "influx/cycles"; the stream is cycles, forecasts, alarms,
// verdicts or ledger.
func (d *DB) SetCursor(ctx context.Context, name string, id int64) error {
	return d.SetCursors(ctx, map[string]int64{name: id})
}

// SetCursors saves several cursors together. They are on the card with the next
// commit at the latest: after a power cut a cursor may be an older one, and the
// rows after it are delivered again.
func (d *DB) SetCursors(ctx context.Context, ids map[string]int64) (err error) {
	if d.light == nil {
		return ErrReadOnly
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return errClosed
	}
	defer func() {
		if err != nil {
			err = d.suspect(fmt.Errorf("saving a cursor to %s: %w", d.path, err))
		}
	}()
	tx, err := d.light.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing once committed
	for name, id := range ids {
		if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO cursors (name, id) VALUES (?, ?)", name, id); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// Checkpoint folds the log into the file and cuts it to nothing, which keeps
// it small on the card. Where a reader is in the way it does what it can and
// says so; the next one does the rest.
func (d *DB) Checkpoint(ctx context.Context) error {
	if d.write == nil {
		return ErrReadOnly
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return errClosed
	}
	var busy, pages, folded int
	if err := d.write.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &pages, &folded); err != nil {
		return d.suspect(fmt.Errorf("folding the log into %s: %w", d.path, err))
	}
	if busy != 0 {
		return fmt.Errorf("folding the log into %s: a reader is in the way, %d of %d pages done", d.path, folded, pages)
	}
	return nil
}

// Backup writes a compact copy of the database, as it is now, to path, which
// must not exist. Commits and reads go on meanwhile.
func (d *DB) Backup(ctx context.Context, path string) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("backing up %s to %s: %w", d.path, path, d.suspect(err))
		}
	}()
	if _, err := os.Stat(path); err == nil {
		return os.ErrExist
	}
	d.gate.RLock()
	defer d.gate.RUnlock()
	// A connection of its own: the readers' may write nothing, and the writer's
	// are needed.
	p, err := pool(d.path, 1, url.Values{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.Close()) }()
	partial := path + ".partial"
	if err := os.Remove(partial); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if _, err := p.ExecContext(ctx, "VACUUM INTO ?", partial); err != nil {
		return errors.Join(err, removeIfThere(partial))
	}
	f, err := os.OpenFile(partial, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	// Under its own name only when it is all there, power cut or not.
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(partial, path)
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

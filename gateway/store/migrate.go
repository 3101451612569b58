package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
)

// The schema's steps, numbered from 1 without a gap. A released step is never
// changed; a new one is added.
//
//go:embed migrations/*.sql
var migrations embed.FS

// applicationID marks a file as gapward's, in SQLite's own header field:
// "gapw" in ASCII.
const applicationID = 0x67617077

// ErrNewer is what a database written by a newer gapward is refused with.
var ErrNewer = errors.New("the database was written by a newer gapward")

func migrationNames() []string {
	names, _ := fs.Glob(migrations, "migrations/*.sql") // fails only for a bad pattern
	return names
}

func newestVersion() int { return len(migrationNames()) }

// checkVersion reads which schema the file has, 0 for an empty one, and
// refuses a file that this program must not touch.
func checkVersion(ctx context.Context, db *sql.DB) (int, error) {
	var id, version, tables int
	err := db.QueryRowContext(ctx, `SELECT
		(SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version),
		(SELECT count(*) FROM sqlite_schema)`).Scan(&id, &version, &tables)
	if err != nil {
		return 0, fmt.Errorf("reading its schema version: %w", err)
	}
	switch {
	case id != applicationID && (id != 0 || version != 0 || tables != 0):
		return 0, errors.New("the file is an SQLite database, but not one of gapward's; move it away, or give another data directory")
	case version > newestVersion():
		return 0, fmt.Errorf("%w: it has schema %d and this one knows up to %d; install the newer version again, or move the file away to begin anew",
			ErrNewer, version, newestVersion())
	}
	return version, nil
}

// migrate runs the steps after version, each in a transaction of its own.
func migrate(ctx context.Context, db *sql.DB, version int) error {
	for i, name := range migrationNames() {
		if i < version {
			continue
		}
		if err := migrateOne(ctx, db, name, i+1); err != nil {
			return fmt.Errorf("bringing the schema up to date with %s: %w", name, err)
		}
	}
	return nil
}

func migrateOne(ctx context.Context, db *sql.DB, name string, version int) error {
	text, err := migrations.ReadFile(name)
	if err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing once committed
	if _, err := tx.ExecContext(ctx, string(text)); err != nil {
		return err
	}
	// A PRAGMA takes no parameters; both numbers are ours.
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, version)); err != nil {
		return err
	}
	return tx.Commit()
}

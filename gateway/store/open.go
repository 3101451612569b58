package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"
	sqlitelib "modernc.org/sqlite/lib"
)

// Names of the files in the data directory. SQLite adds -wal and -shm to the
// first while it is open.
const (
	databaseName = "gapward.db"
	lockName     = "gapward.lock"
	suspectName  = "gapward.suspect" // a read or write found damage: check everything at the next start
)

// readers is how many reads run at a time; more wait.
const readers = 4

// DB is the store. One goroutine commits; any number read.
type DB struct {
	path     string
	lg       *slog.Logger
	lock     *os.File
	setAside string
	// entries of the ledger that were saved from what was set aside
	setAsideEntries int
	opened          os.FileInfo // the file as it was opened
	met             atomic.Bool // a read or write met damage

	gate sync.RWMutex // held by reads, and shut while the database is opened anew
	read *sql.DB

	// The writer's side. The mutex orders the two connections, so that they
	// never wait for each other in SQLite's busy handler.
	mu      sync.Mutex
	write   *sql.DB // synchronous FULL: what is committed stays, whatever happens to the power
	light   *sql.DB // synchronous NORMAL, for cursors: one that is lost is only sent again
	st      statements
	brakes  map[string]int64
	next    nextIDs
	packer  packer
	changed chan struct{}
	closed  bool
}

// ErrReadOnly is what a store opened by [OpenReadOnly] answers to a write.
var ErrReadOnly = errors.New("the database is open for reading only")

var errClosed = errors.New("the database is closed")

// Open opens the database in dir and makes both where they are missing. Only
// one process may have it open this way; a second one gets [ErrInUse].
//
// A database that turns out damaged is set aside under a name with the time in
// it, and an empty one takes its place: a gateway that measures without its
// history is worth more than one that doesn't start. See [DB.SetAside]. Any
// other trouble, such as a full disk or missing rights, is an error and leaves
// the file as it is.
func Open(ctx context.Context, dir string, lg *slog.Logger) (_ *DB, err error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("making the data directory: %w", err)
	}
	lock, err := acquire(filepath.Join(dir, lockName))
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = lock.Close()
		}
	}()

	// Both switches are the process's. They fail where the system lacks them
	// or a database is already open, and the store works without them too.
	_, _ = sqlite.OFDLocking(true) // another file's close in this process must not drop our locks
	_, _ = sqlite.Fdatasync(true)  // as durable as fsync, half the writes

	d := &DB{path: filepath.Join(dir, databaseName), lg: lg, lock: lock}
	d.changed = make(chan struct{})
	if err = d.openOrSetAside(ctx, false); err != nil {
		if wantsRoom(err) {
			err = fmt.Errorf("there is no room on the disk to begin in; make some, and start gapward again: %w", err)
		}
		return nil, fmt.Errorf("opening database %s: %w", d.path, err)
	}
	return d, nil
}

// OpenReadOnly opens an existing database for reading, also while a daemon
// writes to it.
func OpenReadOnly(ctx context.Context, dir string) (*DB, error) {
	d := &DB{path: filepath.Join(dir, databaseName), changed: make(chan struct{})}
	if _, err := os.Stat(d.path); err != nil {
		return nil, fmt.Errorf("opening the database for reading: %w", err)
	}
	_, _ = sqlite.OFDLocking(true)
	query := url.Values{"mode": {"ro"}}
	var err error
	if d.read, err = pool(d.path, readers, query); err != nil {
		return nil, fmt.Errorf("opening database %s for reading: %w", d.path, err)
	}
	version, err := checkVersion(ctx, d.read)
	if err == nil && version < newestVersion() {
		err = fmt.Errorf("its schema %d is older than this gapward's %d; start the daemon once, which brings it up to date", version, newestVersion())
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("opening database %s for reading: %w", d.path, err), d.read.Close())
	}
	return d, nil
}

// SetAside is the path of the damaged database that [Open] set aside, or
// empty.
func (d *DB) SetAside() string { return d.setAside }

// Path is the database's file.
func (d *DB) Path() string { return d.path }

// pool opens connections to one file. Settings go with the name, so that every
// connection has them.
func pool(path string, conns int, query url.Values) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	query.Set("_busy_timeout", "5000")
	query.Set("_foreign_keys", "1")
	query.Set("_txlock", "immediate") // a lock taken later would ignore the busy timeout
	uri := url.URL{Scheme: "file", OmitHost: true, Path: filepath.ToSlash(abs), RawQuery: query.Encode()}
	p, err := sql.Open("sqlite", uri.String())
	if err != nil {
		return nil, err
	}
	p.SetMaxOpenConns(conns)
	p.SetMaxIdleConns(conns)
	return p, nil
}

// Pages that a connection keeps in memory, kB. The system keeps them as well,
// and gives that memory back.
const (
	writerCache = 1024
	readerCache = 256 // of each
)

func writerSettings(synchronous string) url.Values {
	return url.Values{
		"_journal_mode": {"WAL"},
		"_synchronous":  {synchronous},
		"_pragma":       {"journal_size_limit(4194304)", cacheOf(writerCache)},
	}
}

func cacheOf(kB int) string { return fmt.Sprintf("cache_size(-%d)", kB) }

// open opens the connections, checks the file and brings its schema up to
// date. On an error nothing stays open.
func (d *DB) open(ctx context.Context) (err error) {
	_, before := os.Stat(d.path)
	defer func() {
		if err == nil {
			return
		}
		err = errors.Join(err, d.closePools())
		if errors.Is(before, os.ErrNotExist) { // what couldn't be begun is not to be taken for what is left of another
			if file, e := os.Stat(d.path); e == nil && file.Size() == 0 {
				err = errors.Join(err, os.Remove(d.path))
			}
		}
	}()
	thorough := d.stoppedBadly()
	if d.write, err = pool(d.path, 1, writerSettings("FULL")); err != nil {
		return err
	}
	if err := keepLog(ctx, d.write); err != nil {
		return err
	}
	version, err := checkVersion(ctx, d.write)
	if err != nil {
		return err
	}
	if thorough {
		if err := quickCheck(ctx, d.write); err != nil {
			return err
		}
	}
	if err := migrate(ctx, d.write, version); err != nil {
		return err
	}
	if d.light, err = pool(d.path, 1, writerSettings("NORMAL")); err != nil {
		return err
	}
	if d.read, err = pool(d.path, readers, url.Values{"_query_only": {"1"}, "_pragma": {cacheOf(readerCache)}}); err != nil {
		return err
	}
	if d.st, err = prepare(ctx, d.write); err != nil {
		return err
	}
	if d.brakes, err = loadBrakes(ctx, d.write); err != nil {
		return err
	}
	if d.next, err = loadNextIDs(ctx, d.write); err != nil {
		return err
	}
	if err := os.Remove(d.beside(suspectName)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	d.opened, err = os.Stat(d.path)
	return err
}

// keepLog has the files of the log, emptied, outlast the last connection. On a
// full disk they could not be made at the next start, and a daemon that can't
// store yet measures, and says what is wrong.
func keepLog(ctx context.Context, db *sql.DB) error {
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	return errors.Join(conn.Raw(func(c any) error {
		_, err := c.(sqlite.FileControl).FileControlPersistWAL("main", 1)
		return err
	}), conn.Close())
}

func (d *DB) beside(name string) string { return filepath.Join(filepath.Dir(d.path), name) }

// stoppedBadly reports whether the file should be read through before it is
// trusted: the last process left its log behind, or found damage.
func (d *DB) stoppedBadly() bool {
	if wal, err := os.Stat(d.path + "-wal"); err == nil && wal.Size() > 0 {
		return true
	}
	_, err := os.Stat(d.beside(suspectName))
	return err == nil
}

// errDamaged is what quickCheck finds.
type errDamaged struct{ what string }

func (e errDamaged) Error() string { return "the file is damaged: " + e.what }

func quickCheck(ctx context.Context, db *sql.DB) error {
	var what string
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&what); err != nil {
		return fmt.Errorf("checking the file: %w", err)
	}
	if what != "ok" {
		return errDamaged{what}
	}
	return nil
}

// isDamage reports whether err says that the file's content is broken, and not
// merely that it can't be reached.
func isDamage(err error) bool {
	if _, ok := errors.AsType[errDamaged](err); ok {
		return true
	}
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		code := e.Code() & 0xff // the rest tells only where it was noticed
		return code == sqlitelib.SQLITE_CORRUPT || code == sqlitelib.SQLITE_NOTADB
	}
	return false
}

// wantsRoom reports whether err says that a file could not be made or grow.
func wantsRoom(err error) bool {
	e, ok := errors.AsType[*sqlite.Error](err)
	return ok && (e.Code()&0xff == sqlitelib.SQLITE_FULL || e.Code() == sqlitelib.SQLITE_IOERR_WRITE || e.Code() == sqlitelib.SQLITE_IOERR_SHMSIZE)
}

// suspect passes err on, and where it tells of damage leaves a note for the
// next [Open]: the file is then checked and, if need be, set aside, instead of
// stopping the daemon at the same place for ever.
func (d *DB) suspect(err error) error {
	if isDamage(err) && d.lock != nil {
		d.met.Store(true)
		d.markSuspect()
	}
	return err
}

// moveAside renames the database and its log.
func (d *DB) moveAside(now time.Time) (string, error) {
	aside := d.path + ".damaged-" + now.UTC().Format("20060102T150405.000Z")
	if err := os.Rename(d.path, aside); err != nil {
		return "", err
	}
	if err := os.Rename(d.path+"-wal", aside+"-wal"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	// The shared-memory file is only an index of the log.
	if err := os.Remove(d.path + "-shm"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	return aside, nil
}

func (d *DB) closePools() error {
	var errs []error
	d.st.close()
	// The writer comes last: the last connection folds the log into the file.
	for _, p := range []*sql.DB{d.read, d.light, d.write} {
		if p != nil {
			errs = append(errs, p.Close())
		}
	}
	return errors.Join(errs...)
}

// Close ends the store. Reads still running may fail. Closing twice is no
// error.
func (d *DB) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	d.closed = true
	err := d.closePools()
	if d.lock != nil {
		err = errors.Join(err, d.lock.Close()) // which drops the lock
	}
	if err != nil {
		return fmt.Errorf("closing database %s: %w", d.path, err)
	}
	return nil
}

package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// ErrInUse is what [Open] answers where another process has the data directory
// open.
var ErrInUse = errors.New("the data directory is in use")

// acquire takes the data directory for this process. The lock goes when the
// file is closed or the process ends; the file stays, and tells whose it is.
func acquire(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("opening the lock file: %w", err)
	}
	held, err := tryLock(f)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if held {
		who := "another gapward"
		if text, err := io.ReadAll(io.LimitReader(f, 32)); err == nil && len(text) > 0 {
			who += " (process " + strings.TrimSpace(string(text)) + ")"
		}
		err := fmt.Errorf("%w: %s has %s open; stop it first, or give this one another data directory", ErrInUse, who, filepath.Dir(path))
		return nil, errors.Join(err, f.Close())
	}
	// Whose it is counts for less than the lock, which is held by now: a full disk
	// may have no room for it. What is there is written over, which needs none.
	who := strconv.Itoa(os.Getpid()) + "\n"
	if _, err := f.WriteAt([]byte(who), 0); err == nil {
		_ = f.Truncate(int64(len(who)))
	}
	return f, nil
}

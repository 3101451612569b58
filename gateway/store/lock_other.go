//go:build !unix

package store

import "os"

// tryLock does nothing: on this system only SQLite's own locks keep two
// daemons from writing at the same time.
func tryLock(*os.File) (held bool, err error) { return false, nil }

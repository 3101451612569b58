//go:build unix

package store

import (
	"fmt"
	"os"
	"syscall"
)

// tryLock takes the file's exclusive lock, which ends with the process however
// it ends. held is true where another process has it.
func tryLock(f *os.File) (held bool, err error) {
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == syscall.EWOULDBLOCK {
		return true, nil
	}
	if err != nil {
		return false, fmt.Errorf("locking %s: %w", f.Name(), err)
	}
	return false, nil
}

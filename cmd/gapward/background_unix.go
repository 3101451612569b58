//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// letRunInBackground has a read of the terminal by a process in its background
// fail, where otherwise the whole process would be stopped.
func letRunInBackground() { signal.Ignore(syscall.SIGTTIN) }

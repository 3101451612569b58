package gateway

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"sync/atomic"
	"time"
)

// supervisor is the service manager that started the daemon and wants to know
// how it is. It is told by systemd's datagrams: one line a state.
type supervisor struct {
	conn  *net.UnixConn
	every time.Duration // between signs of life; 0: it wants none
	anew  atomic.Bool   // the daemon stops only to begin anew: no reason to take it for gone
}

// newSupervisor finds the service manager by the environment that it gave the
// process; nil where there is none.
func newSupervisor(getenv func(string) string, pid int) (*supervisor, error) {
	socket := getenv("NOTIFY_SOCKET")
	if socket == "" {
		return nil, nil
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		return nil, fmt.Errorf("reaching the service manager: %w", err)
	}
	s := &supervisor{conn: conn}
	forPID := getenv("WATCHDOG_PID")
	if usec, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64); err == nil && usec > 0 && (forPID == "" || forPID == strconv.Itoa(pid)) {
		s.every = time.Duration(usec) * time.Microsecond / 3
	}
	return s, nil
}

func (s *supervisor) say(state string) error {
	if _, err := s.conn.Write([]byte(state)); err != nil {
		return fmt.Errorf("telling the service manager %s: %w", state, err)
	}
	return nil
}

// watch says that the daemon is ready, and then that it is alive for as long as
// it is. Where it isn't, nothing is said and the service manager starts it
// again. That it stops is said when ctx ends, unless it begins anew.
func (s *supervisor) watch(ctx context.Context, alive func() error, lg *slog.Logger) error {
	defer func() { _ = s.conn.Close() }() // nothing is lost with it
	told := false
	tell := func(state string) {
		if err := s.say(state); err != nil && !told {
			told = true
			lg.Warn("the service manager can't be told", "error", err)
		}
	}
	tell("READY=1")
	var beat <-chan time.Time
	if s.every > 0 {
		ticker := time.NewTicker(s.every)
		defer ticker.Stop()
		beat = ticker.C
		tell("WATCHDOG=1")
	}
	for {
		select {
		case <-ctx.Done():
			if !s.anew.Load() {
				tell("STOPPING=1")
			}
			return nil
		case <-beat:
			if err := alive(); err != nil {
				lg.Error("no sign of life to the service manager", "error", err)
				continue
			}
			tell("WATCHDOG=1")
		}
	}
}

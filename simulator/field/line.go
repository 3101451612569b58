package field

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strconv"
	"sync"
	"time"

	"go.bug.st/serial"
)

// lineSettings is how a serial line runs, by the site file's address.
type lineSettings struct {
	baud   int
	parity string // none, even or odd
	stop   int
}

// parseLineSettings reads what stands behind the question mark. What isn't
// said is 19200 Bd, even parity, and one stop bit, or two without parity
// (Modbus over Serial Line V1.02, 2.5.1).
func parseLineSettings(u *url.URL) (lineSettings, error) {
	l := lineSettings{baud: 19200, parity: "even"}
	q := u.Query()
	var err error
	if v := q.Get("baud"); v != "" {
		if l.baud, err = strconv.Atoi(v); err != nil || l.baud <= 0 {
			return l, fmt.Errorf("its baud is %q, which is no rate", v)
		}
	}
	if v := q.Get("parity"); v != "" {
		if l.parity = v; v != "none" && v != "even" && v != "odd" {
			return l, fmt.Errorf("its parity is %q; it must be none, even or odd", v)
		}
	}
	l.stop = 1
	if l.parity == "none" {
		l.stop = 2
	}
	if v := q.Get("stop"); v != "" {
		if l.stop, err = strconv.Atoi(v); err != nil || l.stop < 1 || l.stop > 2 {
			return l, fmt.Errorf("its stop is %q; it must be 1 or 2", v)
		}
	}
	return l, nil
}

// serialLine is devices on one serial port of this machine.
type serialLine struct {
	*rtuServer
	wire  wire
	close func()
}

// openLine opens the serial port at a path or, where there is nothing, makes a
// pseudo terminal with a symbolic link at the path to its other end. A link
// that leads nowhere, left behind by a process that was killed, is replaced.
func openLine(path string, l lineSettings, log *slog.Logger) (*serialLine, error) {
	if _, err := os.Stat(path); err == nil {
		mode := &serial.Mode{BaudRate: l.baud, DataBits: 8}
		switch l.parity {
		case "even":
			mode.Parity = serial.EvenParity
		case "odd":
			mode.Parity = serial.OddParity
		}
		if l.stop == 2 {
			mode.StopBits = serial.TwoStopBits
		}
		p, err := serial.Open(path, mode)
		if err != nil {
			return nil, fmt.Errorf("opening %s: %w", path, err)
		}
		// The real line behind the port takes its own time.
		return &serialLine{&rtuServer{name: path, log: log}, p, sync.OnceFunc(func() { p.Close() })}, nil
	} else if !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("looking for %s: %w", path, err)
	}
	p, other, err := openPseudo()
	if err != nil {
		return nil, fmt.Errorf("making a pseudo terminal for %s: %w", path, err)
	}
	if dead, err := os.Readlink(path); err == nil {
		log.Info("a link that leads nowhere is replaced", "path", path, "led_to", dead)
		if err := os.Remove(path); err != nil {
			p.Close()
			return nil, fmt.Errorf("removing the dead link %s: %w", path, err)
		}
	}
	if err := os.Symlink(other, path); err != nil {
		p.Close()
		return nil, fmt.Errorf("there is nothing at %s, and no pseudo terminal can be linked there: %w; write a path where you may write, for example rtu:///tmp/quay-line", path, err)
	}
	return &serialLine{&rtuServer{name: path, pace: paceOf(l), log: log}, p, sync.OnceFunc(func() {
		if to, err := os.Readlink(path); err == nil && to == other { // somebody else's isn't ours to remove
			if err := os.Remove(path); err != nil {
				log.Warn("the link to a pseudo terminal is left behind", "path", path, "err", err)
			}
		}
		p.Close()
	})}, nil
}

func (s *serialLine) run(ctx context.Context) error {
	defer s.close()
	return s.serve(ctx, s.wire)
}

// lineServer is devices on a serial line behind a serial device server: RTU
// frames through TCP. Its clients share the one line.
type lineServer struct {
	*rtuServer
	listener net.Listener
}

func (s *lineServer) run(ctx context.Context) error {
	return acceptAll(ctx, s.listener, s.log, func(ctx context.Context, conn net.Conn) error {
		return s.serve(ctx, &netWire{Conn: conn})
	})
}

// netWire makes a connection a [wire].
type netWire struct {
	net.Conn
	timeout time.Duration
}

func (w *netWire) SetReadTimeout(d time.Duration) error { w.timeout = d; return nil }

func (w *netWire) Read(b []byte) (int, error) { return readWithin(w.Conn, w.timeout, b) }

func (w *netWire) Write(b []byte) (int, error) {
	if err := w.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
		return 0, err
	}
	return w.Conn.Write(b)
}

// readWithin reads with a deadline; that it has passed is no error.
func readWithin(from interface {
	Read([]byte) (int, error)
	SetReadDeadline(time.Time) error
}, timeout time.Duration, b []byte) (int, error) {
	if err := from.SetReadDeadline(time.Now().Add(timeout)); err != nil {
		return 0, err
	}
	n, err := from.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return n, err
}

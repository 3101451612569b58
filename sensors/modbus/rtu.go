package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"
)

// A port is what an RTU line is reached through. Read returns 0 and nil when
// nothing came within the read timeout, as serial ports have it.
type port interface {
	io.ReadWriteCloser
	SetReadTimeout(time.Duration) error
	ResetInputBuffer() error
	ResetOutputBuffer() error
}

// portSlice is how long a read of the port may block. The end of a context is
// seen no later.
const portSlice = 20 * time.Millisecond

// errSilent is the failure of an RTU exchange to which nothing came.
var errSilent = errors.New("no answer")

// rtuTransport carries frames over one serial line.
//
// An RTU frame has no transaction: an answer that comes late looks like the
// answer to the next request to that unit. Against that stand four things:
// what has come before a request is thrown away; after a failure the line must
// fall quiet first; a unit that was silent isn't asked again before another
// timeout has passed; and function, length and unit must be those asked for.
type rtuTransport struct {
	line Line
	open func(ctx context.Context, timeout time.Duration) (port, error)

	ctx     context.Context
	unit    uint8
	timeout time.Duration

	port      port
	last      time.Time // when the line was last known to be busy
	noisy     bool      // the line may still carry the rest of something
	quiet     map[uint8]time.Time
	buf       [256]byte
	sent, got time.Time
}

func newRTUTransport(l Line, open func(context.Context, time.Duration) (port, error)) *rtuTransport {
	return &rtuTransport{line: l, open: open, quiet: make(map[uint8]time.Time)}
}

func (t *rtuTransport) begin(ctx context.Context, unit uint8, timeout time.Duration) {
	t.ctx, t.unit, t.timeout = ctx, unit, timeout
}

func (t *rtuTransport) times() (sent, got time.Time) { return t.sent, t.got }

func (t *rtuTransport) drop() { t.noisy = true }

func (t *rtuTransport) close() {
	if t.port != nil {
		t.port.Close() // nothing was written that closing could lose
		t.port = nil
	}
}

// Send implements goburrow's Transporter. The frame it returns is valid until
// the next call.
func (t *rtuTransport) Send(request []byte) ([]byte, error) {
	frame, err := t.send(request)
	if err == nil {
		return frame, nil
	}
	t.drop()
	if t.ctx.Err() != nil {
		return nil, fmt.Errorf("stopped: %w", context.Cause(t.ctx))
	}
	if errors.Is(err, errSilent) {
		// The answer may be under way. Others may be asked meanwhile.
		t.quiet[t.unit] = time.Now().Add(t.timeout)
		return nil, fmt.Errorf("%w within %v", err, t.timeout)
	}
	return nil, err
}

func (t *rtuTransport) send(request []byte) ([]byte, error) {
	if len(request) < 8 {
		return nil, errShortRequest
	}
	if t.port == nil {
		p, err := t.open(t.ctx, t.timeout)
		if err != nil {
			return nil, err
		}
		t.port, t.noisy = p, true
	}
	frame, err := t.exchange(request)
	var lost *portError
	if errors.As(err, &lost) { // unplugged, hung up: only opening it again helps
		t.close()
	}
	return frame, err
}

// portError is a failure of the port itself.
type portError struct{ err error }

func (e *portError) Error() string { return e.err.Error() }
func (e *portError) Unwrap() error { return e.err }

func (t *rtuTransport) exchange(request []byte) ([]byte, error) {
	if err := t.wait(time.Until(t.quiet[t.unit])); err != nil {
		return nil, err
	}
	delete(t.quiet, t.unit)
	if t.noisy {
		if err := t.settle(); err != nil {
			return nil, err
		}
	}
	if err := t.wait(time.Until(t.last.Add(t.line.Silence()))); err != nil {
		return nil, err
	}
	if err := t.port.ResetOutputBuffer(); err != nil {
		return nil, &portError{fmt.Errorf("emptying the port's output: %w", err)}
	}
	if err := t.port.ResetInputBuffer(); err != nil {
		return nil, &portError{fmt.Errorf("emptying the port's input: %w", err)}
	}
	t.sent = time.Now()
	t.got = t.sent
	deadline := t.sent.Add(t.timeout)
	if _, err := t.port.Write(request); err != nil {
		return nil, &portError{fmt.Errorf("sending: %w", err)}
	}
	frame, err := t.receive(request, deadline)
	t.got = time.Now()
	t.last = t.got
	return frame, err
}

// receive reads the answer. How long it must be follows from its second and
// third byte, and those are known: the function asked for or its exception,
// and the byte count of what was asked for.
func (t *rtuTransport) receive(request []byte, deadline time.Time) ([]byte, error) {
	quantity := uint16(request[4])<<8 | uint16(request[5])
	want := 5 + replyBytes(request[1], quantity)
	n := 0
	for n < want {
		left := time.Until(deadline)
		if left <= 0 {
			if n == 0 {
				return nil, errSilent
			}
			return nil, fmt.Errorf("%w in full: %d bytes of %d came (% x)", errSilent, n, want, t.buf[:min(n, 8)])
		}
		if err := t.ctx.Err(); err != nil {
			return nil, err
		}
		m, err := t.read(t.buf[n:want], min(left, portSlice))
		if err != nil {
			return nil, err
		}
		n += m
		if n >= 1 && t.buf[0] != request[0] {
			return nil, fmt.Errorf("unit %d was asked, and unit %d answered", request[0], t.buf[0])
		}
		if n >= 2 && t.buf[1] == request[1]|0x80 {
			want = 5
		} else if n >= 2 && t.buf[1] != request[1] {
			return nil, fmt.Errorf("function %d was asked for, and function %d was answered", request[1], t.buf[1])
		} else if n >= 3 && int(t.buf[2]) != want-5 {
			return nil, fmt.Errorf("the reply has %d data bytes, and %d were asked for", t.buf[2], want-5)
		}
	}
	return t.buf[:want], nil
}

func (t *rtuTransport) read(b []byte, timeout time.Duration) (int, error) {
	if err := t.port.SetReadTimeout(timeout); err != nil {
		return 0, &portError{fmt.Errorf("setting the port's timeout: %w", err)}
	}
	n, err := t.port.Read(b)
	if n == 0 && err != nil {
		return 0, &portError{fmt.Errorf("receiving: %w", err)}
	}
	return n, nil
}

// settle reads until the line has been silent for a while. A line that never
// is can't be used.
func (t *rtuTransport) settle() error {
	rest := max(t.line.Silence(), 5*time.Millisecond)
	limit := time.Now().Add(256*t.line.Char() + 20*rest)
	for time.Now().Before(limit) {
		if err := t.ctx.Err(); err != nil {
			return err
		}
		n, err := t.read(t.buf[:], rest)
		if err != nil {
			return err
		}
		if n == 0 {
			t.noisy = false
			return nil
		}
		t.last = time.Now()
	}
	return errors.New("the line is never silent: two masters on it, a wrong baud, or a bad line")
}

// wait lets d pass, or returns the reason why not.
func (t *rtuTransport) wait(d time.Duration) error {
	if d <= 0 {
		return nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-t.ctx.Done():
		return t.ctx.Err()
	}
}

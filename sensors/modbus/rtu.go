package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	goburrow "github.com/goburrow/modbus"
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

// rtuLink carries requests over one serial line. It is a [reader].
//
// An RTU frame has no transaction: an answer that comes late looks like the
// answer to the next request to that unit. Against that stand four things:
// what has come before a request is thrown away; after a failure the line must
// fall quiet first; a unit that was silent isn't asked again before another
// timeout has passed; and function, length and unit must be those asked for.
type rtuLink struct {
	line   Line
	packer *goburrow.RTUClientHandler // for its framing; it opens no port
	open   func(ctx context.Context, timeout time.Duration) (port, error)

	ctx   context.Context
	port  port
	last  time.Time // when the line was last known to be busy
	noisy bool      // the line may still carry the rest of something
	quiet map[uint8]time.Time
	buf   [maxRTUFrame]byte
	sent  time.Time
	got   time.Time
}

func newRTULink(l Line, open func(context.Context, time.Duration) (port, error)) *rtuLink {
	return &rtuLink{line: l, packer: goburrow.NewRTUClientHandler(""), open: open, quiet: make(map[uint8]time.Time)}
}

func (t *rtuLink) close() {
	if t.port != nil {
		t.port.Close() // nothing was written that closing could lose
		t.port = nil
	}
}

func (t *rtuLink) read(ctx context.Context, a ask) (reply, error) {
	t.ctx = ctx
	t.sent = time.Now()
	t.got = t.sent
	if err := a.check(); err != nil {
		return reply{sent: t.sent, got: t.got}, err
	}
	data, err := t.carry(&a)
	r := reply{data: data}
	r.sent, r.got = t.between(&a, len(data), err)
	if err == nil || exceptionIn(err) != nil {
		return r, err
	}
	t.noisy = true
	if ctx.Err() != nil {
		return r, fmt.Errorf("stopped: %w", context.Cause(ctx))
	}
	if errors.Is(err, errSilent) {
		// The answer may be under way. Others may be asked meanwhile.
		t.quiet[a.unit] = time.Now().Add(a.timeout)
		return r, fmt.Errorf("%w within %v", err, a.timeout)
	}
	return r, err
}

// between is when the device has read its inputs: after the last character of
// the request has gone out and before the first of the answer came in. Where
// the line seems to have been quicker than its rate, as a pseudo terminal is,
// it's between request and answer as they were seen here.
func (t *rtuLink) between(a *ask, data int, err error) (from, to time.Time) {
	from, to = t.sent, t.got
	if err != nil {
		return from, to
	}
	after := from.Add(time.Duration(rtuRequestBytes) * t.line.Char())
	before := to.Add(-time.Duration(rtuOverhead+2+data) * t.line.Char())
	if after.After(before) {
		return from, to
	}
	return after, before
}

// carry opens the port where need be and exchanges request and answer.
func (t *rtuLink) carry(a *ask) ([]byte, error) {
	deadline := time.Now().Add(a.timeout)
	if t.port == nil {
		p, err := t.open(t.ctx, a.timeout)
		if err != nil {
			return nil, err
		}
		t.port, t.noisy = p, true
	}
	data, err := t.exchange(a, deadline)
	var lost *portError
	if errors.As(err, &lost) { // unplugged, hung up: only opening it again helps
		t.close()
	}
	return data, err
}

// portError is a failure of the port itself.
type portError struct{ err error }

func (e *portError) Error() string { return e.err.Error() }
func (e *portError) Unwrap() error { return e.err }

func (t *rtuLink) exchange(a *ask, deadline time.Time) ([]byte, error) {
	if err := t.wait(time.Until(t.quiet[a.unit])); err != nil {
		return nil, err
	}
	delete(t.quiet, a.unit)
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
	if least := t.sent.Add(a.timeout / 2); deadline.Before(least) {
		deadline = least // the line had to fall quiet first, which isn't the device's fault
	}
	t.packer.SlaveId = a.unit
	request, err := t.packer.Encode(a.pdu())
	if err != nil {
		return nil, err
	}
	if err := t.write(request, deadline); err != nil {
		return nil, err
	}
	frame, err := t.receive(a, deadline)
	t.got = time.Now()
	t.last = t.got
	if err != nil {
		return nil, err
	}
	if err := t.packer.Verify(request, frame); err != nil {
		return nil, err
	}
	pdu, err := t.packer.Decode(frame)
	if err != nil {
		return nil, fmt.Errorf("%w: a disturbed line, or another baud or parity", err)
	}
	return a.data(pdu)
}

// write sends the request. A port that doesn't take it in time, as one whose
// adapter hangs, is given up: a write can't be broken off, so it is left to
// itself with a copy of the request, and closing the port ends it if anything
// does.
func (t *rtuLink) write(request []byte, deadline time.Time) error {
	done := make(chan error, 1)
	own, p := [rtuRequestBytes]byte(request), t.port
	go func() {
		_, err := p.Write(own[:])
		done <- err
	}()
	timer := time.NewTimer(time.Until(deadline))
	defer timer.Stop()
	var err error
	select {
	case err = <-done:
		if err == nil {
			return nil
		}
		err = fmt.Errorf("sending: %w", err)
	case <-timer.C:
		t.port = nil
		go p.Close() // which may block as well
		err = errors.New("the port takes no data: an adapter that hangs, or a line held by flow control")
	case <-t.ctx.Done():
		return t.ctx.Err()
	}
	return &portError{err}
}

// receive reads the answer. How long it must be follows from its second and
// third byte, and those are known: the function asked for or its exception,
// and the byte count of what was asked for.
func (t *rtuLink) receive(a *ask, deadline time.Time) ([]byte, error) {
	function, data := a.table.Function(), replyBytes(a.table, a.quantity)
	want := rtuOverhead + 2 + data
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
		m, err := t.take(t.buf[n:want], min(left, portSlice))
		if err != nil {
			return nil, err
		}
		n += m
		if n >= 1 && t.buf[0] != a.unit {
			return nil, fmt.Errorf("unit %d was asked, and unit %d answered", a.unit, t.buf[0])
		}
		if n >= 2 && t.buf[1] == function|0x80 {
			want = exceptionRTU
		} else if n >= 2 && t.buf[1] != function {
			return nil, fmt.Errorf("function %d was asked for, and function %d was answered", function, t.buf[1])
		} else if n >= 3 && int(t.buf[2]) != data {
			return nil, fmt.Errorf("the reply has %d data bytes, and %d were asked for", t.buf[2], data)
		}
	}
	return t.buf[:want], nil
}

// take reads from the port what comes within the timeout.
func (t *rtuLink) take(b []byte, timeout time.Duration) (int, error) {
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
func (t *rtuLink) settle() error {
	rest := max(t.line.Silence(), 5*time.Millisecond)
	limit := time.Now().Add(256*t.line.Char() + 20*rest)
	for time.Now().Before(limit) {
		if err := t.ctx.Err(); err != nil {
			return err
		}
		n, err := t.take(t.buf[:], rest)
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
func (t *rtuLink) wait(d time.Duration) error {
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

package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"sync"
	"syscall"
	"time"
)

// tcpTransport carries frames over one TCP connection, which it makes when it
// first needs it and gives up after every failure.
//
// A reply can only be taken for an answer on the connection on which its
// request went out, by its transaction and its unit. Whatever comes late comes
// to a closed connection.
type tcpTransport struct {
	host string

	ctx     context.Context
	timeout time.Duration
	unwatch func() bool

	mu   sync.Mutex // guards conn against the end of ctx
	conn net.Conn

	buf       [2 * maxFrame]byte // what has come and isn't looked at yet is buf[r:w]
	r, w      int
	heard     bool // something came in this exchange
	sent, got time.Time
}

func (t *tcpTransport) begin(ctx context.Context, _ uint8, timeout time.Duration) {
	t.timeout = timeout
	if t.ctx == ctx {
		return
	}
	if t.unwatch != nil {
		t.unwatch()
	}
	t.ctx = ctx
	t.unwatch = context.AfterFunc(ctx, t.abort)
}

// abort makes a read or write that is under way fail at once.
func (t *tcpTransport) abort() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.conn != nil {
		t.conn.Close() // whoever uses the connection reports the failure
	}
}

func (t *tcpTransport) times() (sent, got time.Time) { return t.sent, t.got }

func (t *tcpTransport) drop() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.conn != nil {
		t.conn.Close() // it's given up; nothing would follow from an error
		t.conn = nil
	}
	t.r, t.w = 0, 0
}

func (t *tcpTransport) close() {
	if t.unwatch != nil {
		t.unwatch()
		t.unwatch, t.ctx = nil, nil
	}
	t.drop()
}

// Send implements goburrow's Transporter. The frame it returns is valid until
// the next call.
//
// A device may close a connection that was idle for a while. That shows only
// when the next request is sent, and says nothing of the device's health, so a
// request that fails so is sent once more on a new connection. It is only a
// read: asking twice changes nothing.
func (t *tcpTransport) Send(request []byte) ([]byte, error) {
	if len(request) < headerBytes {
		return nil, errShortRequest
	}
	fresh := t.conn == nil
	if fresh {
		if err := t.dial(); err != nil {
			return nil, err
		}
	}
	deadline := time.Now().Add(t.timeout)
	frame, err := t.exchange(request, deadline)
	if err == nil || t.ctx.Err() != nil || fresh || t.heard || !closedByPeer(err) {
		return frame, t.explain(err)
	}
	t.drop()
	if err := t.dial(); err != nil {
		return nil, err
	}
	frame, err = t.exchange(request, deadline)
	return frame, t.explain(err)
}

// dial connects, in as much time as an exchange may take.
func (t *tcpTransport) dial() error {
	d := net.Dialer{Timeout: t.timeout, KeepAlive: 15 * time.Second}
	conn, err := d.DialContext(t.ctx, "tcp", t.host)
	if err != nil {
		return t.explain(err)
	}
	t.mu.Lock()
	t.conn = conn
	t.mu.Unlock()
	t.r, t.w = 0, 0
	if t.ctx.Err() != nil { // abort may have run before it could see conn
		t.drop()
		return t.explain(t.ctx.Err())
	}
	return nil
}

// exchange sends the request and waits for its answer until the deadline.
// Frames that answer something else are passed over.
func (t *tcpTransport) exchange(request []byte, deadline time.Time) ([]byte, error) {
	conn := t.conn
	t.heard = false
	if err := conn.SetDeadline(deadline); err != nil {
		return nil, err
	}
	t.sent = time.Now()
	t.got = t.sent
	if _, err := conn.Write(request); err != nil {
		return nil, err
	}
	foreign, last := 0, ""
	for {
		n, err := frameLength(t.buf[t.r:t.w])
		if err != nil {
			return nil, err
		}
		if n > 0 {
			frame := t.buf[t.r : t.r+n]
			t.r += n
			if answers(frame, request) {
				t.got = time.Now()
				return frame, checkException(frame)
			}
			foreign++
			if foreign == 1 {
				last = fmt.Sprintf("transaction %d of unit %d", binary.BigEndian.Uint16(frame), frame[6])
			}
			continue
		}
		if t.r > 0 {
			t.w = copy(t.buf[:], t.buf[t.r:t.w])
			t.r = 0
		}
		n, err = conn.Read(t.buf[t.w:])
		t.w += n
		t.heard = t.heard || n > 0
		if n == 0 && err != nil {
			t.got = time.Now()
			if foreign > 0 {
				err = fmt.Errorf("%w (%d answers were for others, the first for %s; transaction %d of unit %d was awaited)",
					err, foreign, last, binary.BigEndian.Uint16(request), request[6])
			}
			return nil, err
		}
	}
}

// closedByPeer reports whether the other end had closed the connection.
func closedByPeer(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

// explain says what a failure of the network means.
func (t *tcpTransport) explain(err error) error {
	switch {
	case err == nil:
		return nil
	case t.ctx.Err() != nil:
		return fmt.Errorf("stopped: %w", context.Cause(t.ctx))
	case errors.Is(err, os.ErrDeadlineExceeded):
		return fmt.Errorf("no answer from %s within %v: %w", t.host, t.timeout, err)
	case errors.Is(err, io.EOF) && t.w > t.r:
		return fmt.Errorf("%s closed the connection after %d bytes of an answer: %w", t.host, t.w-t.r, io.ErrUnexpectedEOF)
	case errors.Is(err, io.EOF):
		return fmt.Errorf("%s closed the connection without an answer: %w", t.host, err)
	}
	return err
}

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

	goburrow "github.com/goburrow/modbus"
)

// tcpLink carries requests over one TCP connection, which it makes when it
// first needs it and gives up after every failure.
//
// A reply can only be taken for an answer on the connection on which its
// request went out, by its transaction and its unit, and while that request is
// still awaited. Whatever comes later comes to a closed connection: after a
// timeout nothing more is asked on it, and it is closed as soon as what else is
// under way on it has ended.
type tcpLink struct {
	host   string
	packer *goburrow.TCPClientHandler // for its framing; it never connects
	flying []flight                   // awaited, the oldest first
	most   int
	failed []ended // to be told by await

	watched context.Context
	unwatch func() bool
	mu      sync.Mutex // guards conn against the end of the context
	conn    net.Conn

	late     bool // an answer may still come that nobody awaits: ask no more on this connection
	writeBy  time.Time
	readBy   time.Time
	fresh    bool // nothing has come on this connection yet
	heard    bool // something has come since nothing was under way
	foreign  int  // answers to others since then
	stranger string
	buf      [2 * maxFrame]byte // what has come and isn't looked at yet is buf[r:w]
	r, w     int
}

// flight is a request under way.
type flight struct {
	token    int
	ask      ask
	request  []byte // its frame
	sent     time.Time
	deadline time.Time
}

// ended is a request that has failed.
type ended struct {
	token int
	reply reply
	err   error
}

func newTCPLink(host string, inFlight int) *tcpLink {
	return &tcpLink{host: host, packer: goburrow.NewTCPClientHandler(""), most: max(inFlight, 1)}
}

func (t *tcpLink) ready() bool { return len(t.flying) < t.most && !t.late && len(t.failed) == 0 }

func (t *tcpLink) close() {
	if t.unwatch != nil {
		t.unwatch()
		t.unwatch, t.watched = nil, nil
	}
	t.drop()
	t.flying, t.failed = t.flying[:0], nil
}

// watch has the end of ctx make a read or write that is under way fail at once.
func (t *tcpLink) watch(ctx context.Context) {
	if t.watched == ctx {
		return
	}
	if t.unwatch != nil {
		t.unwatch()
	}
	t.watched = ctx
	t.unwatch = context.AfterFunc(ctx, func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if t.conn != nil {
			t.conn.Close() // whoever uses the connection reports the failure
		}
	})
}

// drop gives up the connection.
func (t *tcpLink) drop() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.conn != nil {
		t.conn.Close() // it's given up; nothing would follow from an error
		t.conn = nil
	}
	t.r, t.w, t.late = 0, 0, false
}

func (t *tcpLink) start(ctx context.Context, token int, a ask) {
	t.watch(ctx)
	now := time.Now()
	f := flight{token: token, ask: a, sent: now, deadline: now.Add(a.timeout)}
	if err := a.check(); err != nil {
		t.failed = append(t.failed, ended{token, reply{sent: now, got: now}, err})
		return
	}
	if len(t.flying) == 0 {
		t.heard, t.foreign = false, 0
	}
	if t.conn == nil {
		if err := t.dial(ctx, f.deadline); err != nil {
			t.failed = append(t.failed, ended{token, reply{sent: now, got: time.Now()}, t.explain(ctx, err, a.timeout)})
			return
		}
	}
	if t.fresh { // connecting took its time
		f.sent = time.Now()
	}
	t.flying = append(t.flying, f)
	if err := t.send(&t.flying[len(t.flying)-1]); err != nil {
		t.fail(ctx, err)
	}
}

// dial connects, and has until deadline.
func (t *tcpLink) dial(ctx context.Context, deadline time.Time) error {
	d := net.Dialer{Deadline: deadline, KeepAlive: 15 * time.Second}
	conn, err := d.DialContext(ctx, "tcp", t.host)
	if err != nil {
		return err
	}
	t.mu.Lock()
	t.conn = conn
	t.mu.Unlock()
	t.r, t.w, t.late, t.fresh = 0, 0, false, true
	t.writeBy, t.readBy = time.Time{}, time.Time{}
	if ctx.Err() != nil { // it may have ended before conn could be seen
		t.drop()
		return ctx.Err()
	}
	return nil
}

// slackWrite is by how much the write deadline is set ahead of need, so that
// it needn't be set for each request.
const slackWrite = time.Second

// send writes a request. Twelve bytes find room in the connection's buffer,
// unless it has been dead for thousands of them: one that failed is closed.
func (t *tcpLink) send(f *flight) error {
	var err error
	t.packer.SlaveId = f.ask.unit
	if f.request, err = t.packer.Encode(f.ask.pdu()); err != nil {
		return err
	}
	if t.writeBy.Before(f.deadline) {
		t.writeBy = f.deadline.Add(slackWrite)
		if err := t.conn.SetWriteDeadline(t.writeBy); err != nil {
			return err
		}
	}
	_, err = t.conn.Write(f.request)
	return err
}

func (t *tcpLink) await(ctx context.Context, until time.Time) (int, reply, error, bool) {
	for {
		if n := len(t.failed); n > 0 {
			e := t.failed[0]
			t.failed = t.failed[:copy(t.failed, t.failed[1:])]
			return e.token, e.reply, e.err, ctx.Err() == nil
		}
		if len(t.flying) == 0 || ctx.Err() != nil {
			return 0, reply{}, nil, false
		}
		if token, r, err, ok := t.arrived(ctx); ok {
			return token, r, err, true
		}
		if len(t.failed) > 0 {
			continue
		}
		deadline := t.earliest()
		wake := deadline
		if until.Before(wake) {
			wake = until
		}
		err := t.receive(wake)
		switch {
		case err == nil:
		case !errors.Is(err, os.ErrDeadlineExceeded):
			t.fail(ctx, err)
		case !time.Now().Before(deadline):
			t.expire(ctx)
		case time.Now().Before(until): // woken by the deadline of an earlier request
		default:
			return 0, reply{}, nil, false
		}
	}
}

// earliest is when the first of the requests under way is given up.
func (t *tcpLink) earliest() time.Time {
	first := t.flying[0].deadline
	for _, f := range t.flying[1:] {
		if f.deadline.Before(first) {
			first = f.deadline
		}
	}
	return first
}

// arrived looks whether what has come answers a request under way. Frames that
// answer something else are passed over.
func (t *tcpLink) arrived(ctx context.Context) (int, reply, error, bool) {
	for {
		n, err := frameLength(t.buf[t.r:t.w])
		if err != nil {
			t.fail(ctx, err)
			return 0, reply{}, nil, false
		}
		if n == 0 {
			return 0, reply{}, nil, false
		}
		frame := t.buf[t.r : t.r+n]
		t.r += n
		at := t.asked(frame)
		if at < 0 {
			t.foreign++
			if t.foreign == 1 {
				t.stranger = fmt.Sprintf("transaction %d of unit %d", binary.BigEndian.Uint16(frame), frame[6])
			}
			continue
		}
		f := t.flying[at]
		t.flying = append(t.flying[:at], t.flying[at+1:]...)
		r := reply{sent: f.sent, got: time.Now()}
		pdu, err := t.packer.Decode(frame)
		if err == nil {
			r.data, err = f.ask.data(pdu)
		}
		if err != nil && exceptionIn(err) == nil {
			t.fail(ctx, errors.New("on the same connection: "+err.Error()))
		}
		if t.late && len(t.flying) == 0 {
			t.drop() // r.data stays valid: nothing is read into the buffer before the next start
		}
		t.fresh = false
		return f.token, r, err, true
	}
}

// asked is which of the requests under way a frame answers, or -1.
func (t *tcpLink) asked(frame []byte) int {
	for i := range t.flying {
		if t.packer.Verify(t.flying[i].request, frame) == nil {
			return i
		}
	}
	return -1
}

// receive reads what comes, until wake.
func (t *tcpLink) receive(wake time.Time) error {
	if t.r > 0 {
		t.w = copy(t.buf[:], t.buf[t.r:t.w])
		t.r = 0
	}
	// A deadline that comes earlier than need be only wakes us for nothing, and
	// setting it for each reply costs more.
	if t.readBy.After(wake) || t.readBy.Before(time.Now()) {
		t.readBy = wake
		if err := t.conn.SetReadDeadline(wake); err != nil {
			return err
		}
	}
	n, err := t.conn.Read(t.buf[t.w:])
	t.w += n
	t.heard = t.heard || n > 0
	if n > 0 {
		return nil
	}
	return err
}

// expire ends the requests whose time is over.
func (t *tcpLink) expire(ctx context.Context) {
	now := time.Now()
	left := t.flying[:0]
	for _, f := range t.flying {
		if now.Before(f.deadline) {
			left = append(left, f)
			continue
		}
		err := t.explain(ctx, os.ErrDeadlineExceeded, f.ask.timeout)
		if t.foreign > 0 {
			err = fmt.Errorf("%w (%d answers were for others, the first for %s; transaction %d of unit %d was awaited)",
				err, t.foreign, t.stranger, binary.BigEndian.Uint16(f.request), f.ask.unit)
		}
		t.failed = append(t.failed, ended{f.token, reply{sent: f.sent, got: now}, err})
	}
	t.flying, t.late = left, true
	if len(left) == 0 {
		t.drop()
	}
}

// fail ends all that is under way, for the connection is of no more use.
//
// A device may close a connection that was idle for a while. That shows only
// when the next request is sent, and says nothing of the device's health, so
// requests to which nothing came on a connection that had served before are
// sent once more on a new one. They only read: asking twice changes nothing.
func (t *tcpLink) fail(ctx context.Context, err error) {
	again := !t.fresh && !t.heard && closedByPeer(err) && ctx.Err() == nil && len(t.flying) > 0
	if again {
		t.drop()
		if err = t.dial(ctx, t.earliest()); err == nil {
			for i := range t.flying {
				t.flying[i].sent = time.Now()
				if err = t.send(&t.flying[i]); err != nil {
					break
				}
			}
			if err == nil {
				return
			}
		}
	}
	now := time.Now()
	for _, f := range t.flying {
		t.failed = append(t.failed, ended{f.token, reply{sent: f.sent, got: now}, t.explain(ctx, err, f.ask.timeout)})
	}
	t.flying = t.flying[:0]
	t.drop()
}

// closedByPeer reports whether the other end had closed the connection.
func closedByPeer(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

// explain says what a failure of the network means.
func (t *tcpLink) explain(ctx context.Context, err error, timeout time.Duration) error {
	var net net.Error
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("stopped: %w", context.Cause(ctx))
	case errors.Is(err, os.ErrDeadlineExceeded), errors.As(err, &net) && net.Timeout():
		return fmt.Errorf("no answer from %s within %v: %w", t.host, timeout, err)
	case errors.Is(err, io.EOF) && t.w > t.r:
		return fmt.Errorf("%s closed the connection after %d bytes of an answer: %w", t.host, t.w-t.r, io.ErrUnexpectedEOF)
	case errors.Is(err, io.EOF):
		return fmt.Errorf("%s closed the connection without an answer: %w", t.host, err)
	}
	return err
}

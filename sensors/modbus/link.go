package modbus

import (
	"context"
	"time"
)

// A link reads from the devices of one address. It is used by one goroutine
// only, which starts requests and then awaits what becomes of them.
type link interface {
	// ready reports whether another request may be started.
	ready() bool

	// start begins a request; token names it. A request that can't even be
	// sent ends like any other, in await.
	start(ctx context.Context, token int, a ask)

	// await returns the next request that has ended. It returns ok false once
	// until has passed, or ctx has ended, with none; it returns at once when
	// ctx ends. The error is an [*Exception] where the device answered with
	// one; after any other error the next request begins on a new connection
	// or a quiet line.
	await(ctx context.Context, until time.Time) (token int, r reply, err error, ok bool)

	close()
}

// A reply is what a read brought and when. Its times are set after an
// [*Exception] too.
type reply struct {
	data []byte    // of the length that was asked for; valid until the link is used again
	sent time.Time // the device hasn't read its inputs before …
	got  time.Time // … and not after
}

// middle is the time at which the device is taken to have read its inputs; it
// is wrong by half the round trip at most.
func (r reply) middle() time.Time { return r.sent.Add(r.got.Sub(r.sent) / 2) }

// newLink returns the link to an address, with room for so many requests under
// way at once where the address is of Modbus TCP. Nothing is connected before
// the first read.
func newLink(a Address, inFlight int) link {
	switch a.Scheme {
	case RTU:
		return &inTurn{reader: newRTULink(a.Line, serialPort(a))}
	case RTUOverTCP:
		return &inTurn{reader: newRTULink(a.Line, networkPort(a))}
	}
	return newTCPLink(a.Host, inFlight)
}

// A reader carries out one request at a time, and returns when it has ended.
type reader interface {
	read(ctx context.Context, a ask) (reply, error)
	close()
}

// inTurn makes a reader a link that carries out one request at a time.
type inTurn struct {
	reader
	busy  bool
	token int
	asked ask
}

func (l *inTurn) ready() bool { return !l.busy }

func (l *inTurn) start(_ context.Context, token int, a ask) {
	l.busy, l.token, l.asked = true, token, a
}

func (l *inTurn) await(ctx context.Context, _ time.Time) (int, reply, error, bool) {
	if !l.busy {
		return 0, reply{}, nil, false
	}
	l.busy = false
	r, err := l.read(ctx, l.asked)
	return l.token, r, err, ctx.Err() == nil
}

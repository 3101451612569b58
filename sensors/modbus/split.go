package modbus

import (
	"errors"
	"time"
)

// A whole is a block that a device has refused, at least in part. It is halved,
// refused halves are halved again, until what is left is either answered or
// holds a single address; from then on the parts are polled in its place.
//
// Where no part is answered the device may be starting up: what it refuses then
// isn't what to remember, and the block is tried as before.
type whole struct {
	poll     *poll   // of the block
	trials   int     // parts that aren't settled yet
	parts    []*poll // those that are
	errs     []error // … and what became of them
	answered bool    // one of them was
	silent   bool    // one of them wasn't answered at all

	tryAt   time.Time     // when to try the block again
	wait    time.Duration // until then
	standIn *poll         // the part in whose place the block is being tried
}

// splitAgain is how long to wait before a block that was refused in whole and
// in all its parts is tried in parts again.
const splitAgain = 10 * time.Second

// A block that is read in parts is tried as a whole again after a while: the
// device may have been given what it lacked. It costs an exception each time.
const (
	rejoinFirst = 10 * time.Minute
	rejoinMost  = 6 * time.Hour
)

var errHeldBack = errors.New("the device doesn't answer")

// refused reports whether the device has no such address, at least not all of
// the block.
func refused(err error) bool {
	e := exceptionIn(err)
	return e != nil && e.Code == illegalAddress
}

func (w *whole) mayRejoin(now time.Time) bool {
	return w.standIn == nil && !w.tryAt.IsZero() && !now.Before(w.tryAt)
}

// split begins to read a refused block in parts. It returns false where the
// block can't be parted.
func (r *run) split(p *poll) bool {
	w := &whole{poll: p, wait: rejoinFirst}
	return r.branch(w, p)
}

// branch has the halves of a part be tried at once.
func (r *run) branch(w *whole, p *poll) bool {
	a, b, ok := p.halves()
	if !ok {
		return false
	}
	for _, half := range []Request{a, b} {
		w.trials++
		r.due.push(&poll{Request: half, unit: p.unit, rank: p.rank, next: p.next, deadline: p.deadline, of: w, inTrial: true})
	}
	return true
}

// endPart takes what became of a part on trial.
func (r *run) endPart(p *poll, rep reply, err error, now time.Time) {
	if refused(err) && r.branch(p.of, p) {
		p.of.trials--
		return
	}
	r.settle(p, rep, err, now)
	r.endTrial(p, err)
}

// endTrial notes a part that is settled, and once all are, decides what is
// polled from now on.
func (r *run) endTrial(p *poll, err error) {
	w := p.of
	w.trials--
	w.parts, w.errs = append(w.parts, p), append(w.errs, err)
	w.answered = w.answered || err == nil
	w.silent = w.silent || err != nil && (exceptionIn(err) == nil || exceptionIn(err).silence())
	if w.trials > 0 {
		return
	}
	now := time.Now()
	if !w.answered || w.silent {
		b := w.poll
		b.shownAt, b.fails, b.retryAt = now, p.fails, p.retryAt
		if !w.silent {
			b.partAt = now.Add(splitAgain)
		}
		r.report(b, err, now)
		r.again(b, now)
		return
	}
	w.tryAt = now.Add(w.wait)
	w.poll.of = w
	r.lg.Warn("the device refuses part of a block; it's read in parts from now on", "device", p.Device, "asked", w.poll.Request.String(), "parts", len(w.parts))
	for i, part := range w.parts {
		part.inTrial = false
		r.report(part, w.errs[i], now)
		r.again(part, now)
	}
}

// endRejoin takes what became of a block that was tried as a whole again. If
// it was answered, it is polled in place of its parts from now on; else its
// parts are, as before.
func (r *run) endRejoin(w *whole, rep reply, err error, now time.Time) {
	part := w.standIn
	w.standIn = nil
	if err != nil {
		w.wait = min(2*w.wait, rejoinMost)
		w.tryAt = now.Add(w.wait)
		r.due.push(part)
		return
	}
	r.lg.Info("the device gives the whole of a block again", "device", part.Device, "asked", w.poll.Request.String())
	for _, p := range w.parts {
		p.gone = true
	}
	b := w.poll
	b.of, b.partAt = nil, time.Time{}
	r.settle(b, rep, nil, now)
	r.again(b, now)
}

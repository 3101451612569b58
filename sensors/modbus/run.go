package modbus

import (
	"context"
	"slices"
	"time"

	"gapward/sensors"
)

// A run is one Run of a source: its clock and the batch being filled.
type run struct {
	*Source
	ctx   context.Context
	out   chan<- []sensors.Sample
	clock *clock
	start time.Time
	batch []sensors.Sample
}

// Run polls until ctx ends, and returns nil then.
//
// Every request has its own fixed slots, counted from the start; a poll that
// takes longer than its period misses slots and doesn't catch up. Requests
// that are due together are carried out in the order of the plan and their
// samples sent together, unless one of them may have to wait for a device that
// doesn't answer.
func (s *Source) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	defer s.link.close()
	if err := s.plan.Check(); err != nil {
		s.lg.Warn("the line can't keep up", "error", err)
	}
	now := time.Now()
	r := &run{Source: s, ctx: ctx, out: out, clock: newClock(now), start: now}
	for _, p := range s.polls {
		p.next = now
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		r.round()
		next := s.polls[0].next
		for _, p := range s.polls[1:] {
			if p.next.Before(next) {
				next = p.next
			}
		}
		timer.Reset(time.Until(next))
	}
	return nil
}

// round carries out what is due and sends what it brought.
func (r *run) round() {
	now := time.Now()
	if step := r.clock.check(now); step != 0 {
		r.lg.Warn("the system's time was set; samples follow it, at once when it went forward, slowly when it went back", "by", step)
	}
	due := 0
	for _, p := range r.polls {
		if !p.next.After(now) {
			due += len(p.Channels)
		}
	}
	if due == 0 {
		return
	}
	r.batch = make([]sensors.Sample, 0, due)
	for i := 0; i < len(r.polls) && r.ctx.Err() == nil; i++ {
		p := r.polls[i]
		if p.next.After(now) {
			continue
		}
		parts := r.poll(p)
		p.advance(r.start, time.Now())
		for _, part := range parts {
			part.next = p.next
		}
		if len(parts) > 0 {
			r.polls = slices.Replace(r.polls, i, i+1, parts...)
			i += len(parts) - 1
		}
	}
	r.flush()
}

// flush sends the samples gathered so far.
func (r *run) flush() {
	if len(r.batch) == 0 {
		return
	}
	batch := r.batch
	r.batch = nil // append makes a new one: this one belongs to the receiver
	select {
	case r.out <- batch:
	case <-r.ctx.Done():
	}
}

// poll carries out one request, or shows that it's held back. Where the device
// refused part of it, poll returns what is to be polled in its place from now
// on.
func (r *run) poll(p *poll) []*poll {
	now := time.Now()
	if !p.mayTry(now) {
		if p.mustShow(now) {
			r.show(p, sensors.NoAnswer, now)
		}
		return nil
	}
	if p.unit.fails > 0 { // what has been read mustn't wait for a timeout
		r.flush()
	}
	rep, err := r.ask(p)
	if r.ctx.Err() != nil {
		return nil
	}
	if refused(err) && !now.Before(p.partAt) {
		if parts := r.split(p); parts != nil {
			return parts
		}
		if r.ctx.Err() != nil {
			return nil
		}
		// Nothing in it can be had. The device may be starting up; what it
		// refuses now isn't what to remember.
		p.partAt = now.Add(splitAgain)
	}
	r.settle(p, rep, err)
	r.report(p, err, time.Now())
	return nil
}

// splitAgain is how long to wait before a block that was refused in whole and
// in all its parts is tried in parts again.
const splitAgain = 10 * time.Second

// ask carries out the exchange and tells the watcher.
func (r *run) ask(p *poll) (reply, error) {
	begun := time.Now()
	rep, err := r.link.read(r.ctx, p.Unit, p.Function, p.Address, p.Quantity, p.Timeout)
	if r.ctx.Err() != nil {
		return rep, err
	}
	told := sensors.Poll{At: time.Unix(0, r.clock.at(begun)).UTC(), Took: time.Since(begun)}
	if err == nil {
		told.Samples = len(p.Channels)
	} else {
		told.Err = &PollError{p.Request, err}
	}
	r.watcher.Polled(p.Device, told)
	return rep, err
}

// PollError says what was asked of whom, and what came of it. It is the error
// of a [sensors.Poll] that failed.
type PollError struct {
	Request Request
	Err     error // an [*Exception] where the device answered with one
}

func (e *PollError) Error() string { return "reading " + e.Request.String() + ": " + e.Err.Error() }

// Unwrap is what came of it.
func (e *PollError) Unwrap() error { return e.Err }

// settle makes samples of what a request brought and notes how it fares.
func (r *run) settle(p *poll, rep reply, err error) {
	now := time.Now()
	switch e := exceptionIn(err); {
	case err == nil:
		p.answered()
		r.batch = p.take(r.batch, rep.data, r.clock.at(rep.middle()))
		p.shownAt = now
	case e != nil && !e.silence():
		p.answered()
		r.show(p, sensors.Bad, rep.middle())
	default:
		p.failed(now)
		r.show(p, sensors.NoAnswer, now)
	}
}

// show gives every signal of p a sample without a value.
func (r *run) show(p *poll, q sensors.Quality, at time.Time) {
	r.batch = p.mark(r.batch, q, r.clock.at(at))
	p.shownAt = at
}

// refused reports whether the device has no such address, at least not all of
// the block.
func refused(err error) bool {
	e := exceptionIn(err)
	return e != nil && e.Code == illegalAddress
}

// split reads a refused block in halves, and refused halves in halves again,
// until what is left is either answered or a single address. Every signal gets
// its sample. It returns the parts, or nil where none was answered; then no
// signal has got one.
func (r *run) split(p *poll) []*poll {
	before := len(r.batch)
	parts := r.parts(p)
	if !slices.ContainsFunc(parts, func(part *part) bool { return part.err == nil }) {
		r.batch = r.batch[:before]
		return nil
	}
	r.lg.Warn("the device refuses part of a block; it's read in parts from now on", "device", p.Device, "asked", p.Request.String(), "parts", len(parts))
	polls := make([]*poll, len(parts))
	for i, part := range parts {
		polls[i] = part.poll
		r.report(part.poll, part.err, time.Now())
	}
	return polls
}

// A part is a request made by splitting, and what became of it.
type part struct {
	*poll
	err error
}

// parts halves p and reads the halves. It returns nil where the device falls
// silent meanwhile: what it refuses can't be found out then.
func (r *run) parts(p *poll) []*part {
	a, b, ok := p.halves()
	if !ok {
		return nil
	}
	var parts []*part
	for _, half := range []Request{a, b} {
		h := &poll{Request: half, unit: p.unit, next: p.next}
		rep, err := r.ask(h)
		if r.ctx.Err() != nil {
			return nil
		}
		if _, _, whole := h.halves(); refused(err) && whole {
			more := r.parts(h)
			if more == nil {
				return nil
			}
			parts = append(parts, more...)
			continue
		}
		r.settle(h, rep, err)
		if h.unit.fails > 0 {
			return nil
		}
		parts = append(parts, &part{h, err})
	}
	return parts
}

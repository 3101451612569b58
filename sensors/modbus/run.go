package modbus

import (
	"context"
	"time"

	"gapward/sensors"
)

// A run is one Run of a source: its clock, what is due, and the batch being
// filled.
type run struct {
	*Source
	ctx   context.Context
	out   chan<- []sensors.Sample
	clock *clock
	start time.Time
	timer *time.Timer

	waiting queue   // by slot
	due     queue   // by deadline
	flying  []*poll // by token; nil where there is none
	under   int     // how many are under way

	stamps  stamps
	batch   []sensors.Sample
	since   time.Time // when the batch was begun
	checked time.Time // when the system's time was last looked at
}

// holdBatch is how long samples may wait for others to be sent with them.
const holdBatch = 20 * time.Millisecond

// Run polls until ctx ends, and returns nil then.
//
// Every request has its own fixed slots, counted from the start; a poll that
// takes longer than its period misses slots and doesn't catch up. Of the
// requests that are due the one whose next slot is the nearest goes first
// (earliest deadline first, which keeps all periods whenever anything can but
// for the request that is under way), and those of one slot in the order of the
// plan. Samples of requests that are due together are sent together, unless one
// of them may have to wait for a device that doesn't answer.
func (s *Source) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	defer s.link.close()
	if err := s.plan.Check(); err != nil {
		s.lg.Warn("the line can't keep up", "error", err)
	}
	r := newRun(ctx, s, out)
	defer r.timer.Stop()
	for ctx.Err() == nil {
		r.step()
	}
	return nil
}

func newRun(ctx context.Context, s *Source, out chan<- []sensors.Sample) *run {
	now := time.Now()
	r := &run{Source: s, ctx: ctx, out: out, clock: newClock(now), start: now, checked: now, timer: time.NewTimer(0)}
	r.waiting.before, r.due.before = bySlot, byDeadline
	for _, p := range s.polls {
		p.next = now
		r.waiting.push(p)
	}
	return r
}

// step starts what is due and awaits the next thing to happen.
func (r *run) step() {
	now := time.Now()
	r.checkClock(now)
	for at, ok := r.waiting.firstSlot(); ok && !at.After(now); at, ok = r.waiting.firstSlot() {
		p := r.waiting.pop()
		p.deadline = p.next.Add(p.Period)
		r.due.push(p)
	}
	for !r.due.empty() && r.link.ready() && r.ctx.Err() == nil {
		r.begin(r.due.pop())
	}
	if r.under == 0 {
		if len(r.batch) > 0 || r.stamps.moved {
			r.flush()
		} else {
			r.rest()
		}
		return
	}
	until := now.Add(time.Hour)
	if at, ok := r.waiting.firstSlot(); ok && r.link.ready() {
		until = at
	}
	if len(r.batch) > 0 {
		hold := r.since.Add(holdBatch)
		if !hold.After(now) {
			r.flush()
		} else if hold.Before(until) {
			until = hold
		}
	}
	if token, rep, err, ok := r.link.await(r.ctx, until); ok {
		r.end(token, rep, err)
	}
}

// rest waits for the next slot.
func (r *run) rest() {
	at, ok := r.waiting.firstSlot()
	if !ok || !r.due.empty() {
		return
	}
	r.timer.Reset(time.Until(at))
	select {
	case <-r.ctx.Done():
	case <-r.timer.C:
	}
}

// checkClock looks now and then whether the system's time was set.
func (r *run) checkClock(now time.Time) {
	if now.Sub(r.checked) < time.Second {
		return
	}
	r.checked = now
	if step := r.clock.check(now); step != 0 {
		r.lg.Warn("the system's time was set; samples follow it, at once when it went forward, slowly when it went back", "by", step)
	}
}

// begin starts a poll that is due, or shows that it's held back.
func (r *run) begin(p *poll) {
	now := time.Now()
	switch {
	case p.gone:
		return
	case now.Before(p.unit.resumeAt) && !p.inTrial:
		p.advance(r.start, p.unit.resumeAt)
		r.waiting.push(p)
		return
	case !p.mayTry(now):
		if p.inTrial {
			r.show(p, sensors.NoAnswer, now)
			r.endTrial(p, errHeldBack)
			return
		}
		if p.mustShow(now) {
			r.show(p, sensors.NoAnswer, now)
		}
		r.again(p, now)
		return
	}
	if p.unit.fails > 0 { // what has been read mustn't wait for a timeout
		r.flush()
	}
	if w := p.of; w != nil && !p.inTrial && w.mayRejoin(now) {
		w.standIn = p // its signals are in the whole
		p = w.poll
	}
	token := 0
	for token < len(r.flying) && r.flying[token] != nil {
		token++
	}
	if token == len(r.flying) {
		r.flying = append(r.flying, nil)
	}
	r.flying[token] = p
	r.under++
	p.begun = now
	r.link.start(r.ctx, token, p.ask())
}

// end takes what became of a poll.
func (r *run) end(token int, rep reply, err error) {
	p := r.flying[token]
	r.flying[token] = nil
	r.under--
	if r.ctx.Err() != nil {
		return
	}
	now := time.Now()
	r.tell(p, err, now)
	r.share(p, now)
	switch w := p.of; {
	case w != nil && w.poll == p && w.standIn != nil:
		r.endRejoin(w, rep, err, now)
	case p.inTrial:
		r.endPart(p, rep, err, now)
	case refused(err) && !now.Before(p.partAt) && r.split(p):
	default:
		r.settle(p, rep, err, now)
		r.report(p, err, now)
		r.again(p, now)
	}
}

// again puts a poll back to wait for its next slot.
func (r *run) again(p *poll, now time.Time) {
	p.advance(r.start, now)
	r.waiting.push(p)
}

// share keeps a unit that is slower than another's period from taking more
// than its share of the time: with n units on the bus, it rests n−1 times as
// long as it took.
func (r *run) share(p *poll, now time.Time) {
	u := p.unit
	if took := now.Sub(p.begun); r.inFlight == 1 && u.hurried > 0 && took > u.hurried {
		u.resumeAt = now.Add(time.Duration(r.units-1) * took)
	}
}

// flush sends the samples gathered so far.
func (r *run) flush() {
	if len(r.batch) == 0 && !r.stamps.moved {
		return
	}
	batch := r.batch
	r.batch = nil // the next is a new one: this one belongs to the receiver
	if len(r.stamps.signals) > 0 {
		if batch = r.inOrder(batch); batch == nil {
			return
		}
	}
	select {
	case r.out <- batch:
	case <-r.ctx.Done():
	}
}

// room makes the batch ready to take samples, those of p and of what else is due.
func (r *run) room(p *poll) {
	if r.batch != nil {
		return
	}
	most := 0
	if p != nil {
		most = len(p.Channels)
	}
	for _, q := range r.due.polls {
		most += len(q.Channels)
	}
	for _, q := range r.flying {
		if q != nil {
			most += len(q.Channels)
		}
	}
	r.batch = make([]sensors.Sample, 0, most)
	r.since = time.Now()
}

// tell tells the watcher what became of a request.
func (r *run) tell(p *poll, err error, now time.Time) {
	told := sensors.Poll{At: time.Unix(0, r.clock.nearly(p.begun)).UTC(), Took: now.Sub(p.begun)}
	if err == nil {
		told.Samples = len(p.Channels)
	} else {
		told.Err = &PollError{p.Request, err}
	}
	r.watcher.Polled(p.Device, told)
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
func (r *run) settle(p *poll, rep reply, err error, now time.Time) {
	switch e := exceptionIn(err); {
	case err == nil:
		p.answered()
		r.room(p)
		r.take(p, rep)
		p.shownAt = now
	case e != nil && !e.silence():
		p.answered()
		r.lose(p)
		r.show(p, sensors.Bad, rep.middle())
	default:
		p.failed(now)
		r.lose(p)
		r.show(p, sensors.NoAnswer, now)
	}
}

// take appends the samples that a reply holds, and logs what there is to doubt
// about them.
func (r *run) take(p *poll, rep reply) {
	atNS := r.clock.at(rep.middle())
	for i := range p.Channels {
		c := &p.Channels[i]
		if c.Part != sensors.OfValue {
			r.takeStamp(p, c, rep)
			continue
		}
		if c.Wiring.Counter != nil && !p.news(i, rep) {
			continue
		}
		s := sensors.Sample{AtNS: atNS, Brake: c.Brake, Signal: c.Signal}
		value, doubt := p.value(c, rep.data)
		if c.Wiring.Stamp != nil {
			if doubt == "" {
				r.takeState(p, i, value, rep)
				continue
			}
			r.stampedOf(p, c).stateLost = true
		}
		if doubt == "" {
			s.Value = value
		} else {
			s.Quality = sensors.Bad
		}
		if doubt != "" || p.doubted {
			r.reportDoubt(p, i, doubt)
		}
		r.batch = append(r.batch, s)
	}
}

// show gives every signal of p a sample without a value.
func (r *run) show(p *poll, q sensors.Quality, at time.Time) {
	r.room(p)
	r.batch = p.mark(r.batch, q, r.clock.at(at))
	p.shownAt = at
}

package modbus

import (
	"time"

	"gapward/sensors"
)

// A unit is one device on the bus and how it fares.
type unit struct {
	period   time.Duration // of its most frequent request
	hurried  time.Duration // the shortest period of the other units; 0 where it is alone
	rest     time.Duration // to leave it alone after it was silent
	fails    int           // how often in a row it didn't answer
	retryAt  time.Time
	resumeAt time.Time // it has had its share of the bus until then
}

// A poll is one request and how it fares.
type poll struct {
	Request
	unit *unit
	rank int // its place in the plan

	next     time.Time // when it's due
	deadline time.Time // when it's due again after that
	begun    time.Time // when it was last started
	shownAt  time.Time // when its signals last got a sample
	fails    int       // how often in a row it wasn't answered
	retryAt  time.Time

	partAt  time.Time // not to be tried in parts before
	of      *whole    // what it's a part of, or itself is read in parts
	inTrial bool      // nobody knows yet whether it can be read
	gone    bool      // others are polled in its place

	trouble trouble
	doubted bool      // there's something in doubts
	doubts  []trouble // by channel

	counted []counted // by channel, of measured times; nil before the first
}

// pollsOf makes the polls of a plan, and says how many units they ask.
func pollsOf(plan Plan) ([]*poll, int) {
	var polls []*poll
	units := make(map[string]*unit)
	for i, r := range plan.Requests {
		u := units[r.Device]
		if u == nil {
			u = &unit{}
			units[r.Device] = u
		}
		if u.period == 0 || r.Period < u.period {
			u.period = r.Period
		}
		if plan.Address.Scheme.Serial() {
			u.rest = r.Timeout
		}
		polls = append(polls, &poll{Request: r, unit: u, rank: i})
	}
	for name, u := range units {
		for other, o := range units {
			if other != name && (u.hurried == 0 || o.period < u.hurried) {
				u.hurried = o.period
			}
		}
	}
	return polls, len(units)
}

// maxPause is the longest that a device which doesn't answer is left alone; one
// that has neighbours on its bus, to whom it costs a timeout each time, for
// twenty timeouts if that is longer.
const (
	maxPause      = 2 * time.Second
	pauseTimeouts = 20
)

// pause is how long to leave something alone that has failed n times in a row:
// 1, 2, 4, … polls.
func pause(period time.Duration, n int, most time.Duration) time.Duration {
	d := period
	for ; n > 1 && d < most; n-- {
		d *= 2
	}
	return min(d, most)
}

// failed notes a silence that ended at now.
//
// The request itself is left alone a little longer than its unit, so that when
// only one request of a unit is never answered, the others get their turn.
func (p *poll) failed(now time.Time) {
	p.fails++
	p.unit.fails++
	most := maxPause
	if p.unit.hurried > 0 {
		most = max(most, pauseTimeouts*p.Timeout)
	}
	p.unit.retryAt = now.Add(max(pause(p.unit.period, p.unit.fails, most), p.unit.rest))
	p.retryAt = now.Add(max(pause(p.Period, p.fails, most), p.unit.rest) + p.unit.period)
}

// answered notes that the device is there.
func (p *poll) answered() {
	p.fails, p.retryAt = 0, time.Time{}
	p.unit.fails, p.unit.retryAt = 0, time.Time{}
}

// mayTry reports whether the request needn't be held back.
func (p *poll) mayTry(now time.Time) bool {
	return !now.Before(p.retryAt) && !now.Before(p.unit.retryAt)
}

// minShown is the shortest time between two signs of silence while a device is
// left alone.
const minShown = 250 * time.Millisecond

// mustShow reports whether a request that is held back must give sign of the
// silence again.
func (p *poll) mustShow(now time.Time) bool {
	return now.Sub(p.shownAt) >= max(p.Period, minShown)
}

// advance sets when the poll is next due: at the first multiple of its period
// since start that is still to come. Slots that were missed stay missed.
func (p *poll) advance(start, now time.Time) {
	p.next = start.Add((now.Sub(start)/p.Period + 1) * p.Period)
}

// mark appends a sample of quality q for every signal of r.
func (r *Request) mark(batch []sensors.Sample, q sensors.Quality, atNS int64) []sensors.Sample {
	for i := range r.Channels {
		c := &r.Channels[i]
		if c.Part != sensors.OfValue && q == sensors.Bad {
			continue // the value may be read all the same; its changes have no time then
		}
		batch = append(batch, sensors.Sample{AtNS: atNS, Brake: c.Brake, Signal: c.Signal, Quality: q})
	}
	return batch
}

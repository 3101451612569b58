package modbus

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gapward/sensors"
)

// StampError says that a device's own time of a change, or its own measurement,
// could not be used.
type StampError struct {
	Channel sensors.Channel
	Why     StampFault
}

func (e *StampError) Error() string {
	return fmt.Sprintf("%v of %s: %s", e.Channel.Signal, e.Channel.Name, e.Why)
}

// StampFault is why a stamp could not be used.
type StampFault string

// The faults of stamps.
const (
	StampStands StampFault = "the signal changed and its stamp didn't"
	ClockUneven StampFault = "the device's clock was set, can't be read, or doesn't count in the steps that step states"
	StampLate   StampFault = "the change was told too late to be put in its place"
)

// A stamped is a signal whose changes its device stamps: what is known of it
// from the reads of its value and of its stamp, which come one after the other.
//
// A change that is seen waits for the stamp to be read, and goes out with the
// device's time. Where that can't be used, a bad reading goes before it: after
// one, a change may have happened at any time since the last good one.
type stamped struct {
	channel sensors.Channel
	clock   *deviceClock
	wait    time.Duration // for its stamp, at most

	known  bool
	on     float64   // as told
	seen   time.Time // … and read last …
	before time.Time // … and before that

	pending bool // it reads otherwise …
	first   time.Time
	stood   bool // … and its stamp stood where it was when read after that

	stampKnown bool
	stamp      uint32
	fresh      bool // the stamp has changed, and nothing else has yet

	stateBy, stampBy time.Time // up to when each is known
	stateLost        bool      // the latest read of each failed: nothing waits for it
	stampLost        bool
}

// stamps are a source's stamped signals, and the samples that wait for them: a
// change is told up to a poll after it happened, and samples go out in order.
type stamps struct {
	signals []*stamped
	clocks  map[clockPlace]*deviceClock
	held    []sensors.Sample
	moved   bool  // more may go out than when it was last looked at
	sentNS  int64 // nothing older than this may follow
}

// StampWait is how long samples may be held back at most for the stamps of
// signals that are read from a device: a stamp has its turn within a poll, two
// if the device makes it late, and two requests may go unanswered before. A
// change that is told later has no time of the device's own.
func StampWait(d sensors.Device, period time.Duration) time.Duration {
	return 2*period + 2*d.RequestTimeout()
}

type clockPlace struct {
	device  string
	table   Table
	address uint16
	as      sensors.DataType
	words   sensors.WordOrder
	step    time.Duration
}

// counted is the count of a measured time that was read last.
type counted struct {
	known bool
	n     uint16
	sent  time.Time // when it was asked for
}

// stampedOf finds what is known of a channel's stamps.
func (r *run) stampedOf(p *poll, c *sensors.Channel) *stamped {
	for _, s := range r.stamps.signals {
		if s.channel.Brake == c.Brake && s.channel.Signal == c.Signal {
			return s
		}
	}
	place := clockPlace{c.Wiring.Device, InputRegisters, *c.Wiring.Stamp.Clock, c.Wiring.Stamp.Type, c.Wiring.Stamp.Words, c.Wiring.Stamp.Step}
	if c.Wiring.Stamp.Holding != nil {
		place.table = HoldingRegisters
	}
	if r.stamps.clocks == nil {
		r.stamps.clocks = make(map[clockPlace]*deviceClock)
		r.stamps.sentNS = math.MinInt64
	}
	clock := r.stamps.clocks[place]
	if clock == nil {
		clock = newDeviceClock(c.Wiring.Stamp)
		r.stamps.clocks[place] = clock
	}
	s := &stamped{channel: *c, clock: clock, stateLost: true, stampLost: true, wait: StampWait(sensors.Device{Timeout: p.Timeout}, p.Period)}
	s.channel.Part = sensors.OfValue
	r.stamps.signals = append(r.stamps.signals, s)
	return s
}

// takeStamp takes what was read of a stamp, or of the clock beside it.
func (r *run) takeStamp(p *poll, c *sensors.Channel, rep reply) {
	s := r.stampedOf(p, c)
	stamp, err := p.stamp(c, rep.data)
	if err != nil { // unreachable: its place was found when planning
		return
	}
	if c.Part == sensors.OfClock {
		if !s.clock.known || !s.clock.sent.Equal(rep.sent) { // else it was read with another signal's
			s.clock.read(stamp, rep.sent, rep.got)
		}
		return
	}
	if s.stampKnown && stamp != s.stamp {
		s.fresh = true // its time is worked out when it's needed: the clock may stand behind it in the reply
	}
	s.stampKnown, s.stamp = true, stamp
	s.stampBy, s.stampLost = rep.sent, !s.clock.known
	r.stamps.moved = true
	if s.pending && (s.fresh || s.stood) {
		r.resolve(s)
	}
	s.stood = s.pending
}

// takeState takes what was read of a stamped signal's value.
func (r *run) takeState(p *poll, i int, value float64, rep reply) {
	c := &p.Channels[i]
	s := r.stampedOf(p, c)
	switch at := rep.middle(); {
	case s.known && value != s.on:
		if !s.pending {
			s.pending, s.first = true, at
		}
		if s.fresh && !s.at().After(rep.got.Add(s.clock.step)) || s.stampLost {
			r.resolve(s)
		}
	default:
		if s.fresh && s.at().Before(s.seen) { // it changed and changed back between two reads
			s.fresh = false
		}
		s.known, s.on, s.seen, s.before = true, value, at, s.seen
		s.pending = false
		r.batch = append(r.batch, s.sample(sensors.Good, value, r.clock.nearly(at)))
	}
	s.stateBy, s.stateLost = rep.sent, false
}

// resolve tells of a change that was seen.
func (r *run) resolve(s *stamped) {
	to := 1 - s.on
	at := s.at()
	atNS := r.clock.nearly(at)
	why := StampFault("")
	switch {
	case s.stampLost:
		why = StampLate
	case !s.fresh:
		why = StampStands
	case !s.clock.steady() || s.first.Sub(s.clock.sent) > s.wait:
		why = ClockUneven
	case atNS <= r.stamps.sentNS, !at.After(s.before.Add(-s.clock.step)):
		why = StampLate
	}
	firstNS := r.clock.nearly(s.first)
	r.room(nil)
	if why == "" {
		atNS = min(atNS, firstNS)
		r.batch, r.stamps.held = s.dropFrom(r.batch, atNS), s.dropFrom(r.stamps.held, atNS)
		r.batch = append(r.batch, s.sample(sensors.Good, to, atNS))
	} else {
		r.batch = append(r.batch, s.sample(sensors.Bad, 0, firstNS))
		r.lg.Warn("a change has no time of the device's own", "device", s.channel.Wiring.Device, "brake", s.channel.Name, "signal", s.channel.Signal.String(), "because", string(why))
		r.watcher.Polled(s.channel.Wiring.Device, sensors.Poll{At: time.Unix(0, firstNS).UTC(), Err: &StampError{s.channel, why}})
	}
	r.batch = append(r.batch, s.sample(sensors.Good, to, firstNS))
	s.on, s.seen, s.before, s.pending, s.fresh = to, s.first, s.first, false, false
}

// dropFrom takes out what was told of the signal from a time on: it showed the
// old value after the device had stamped the change to the new one.
func (s *stamped) dropFrom(samples []sensors.Sample, fromNS int64) []sensors.Sample {
	return slices.DeleteFunc(samples, func(t sensors.Sample) bool {
		return t.Brake == s.channel.Brake && t.Signal == s.channel.Signal && t.AtNS >= fromNS
	})
}

func (s *stamped) sample(q sensors.Quality, v float64, atNS int64) sensors.Sample {
	return sensors.Sample{AtNS: atNS, Brake: s.channel.Brake, Signal: s.channel.Signal, Value: v, Quality: q}
}

// at is when the signal changed, by the device's stamp.
func (s *stamped) at() time.Time { return s.clock.at(s.stamp) }

// lose notes that a read of stamped signals failed: what comes on their bus no
// longer waits for them.
func (r *run) lose(p *poll) {
	p.counted = nil // what was measured meanwhile isn't of the cycle in which it would be told
	for i := range p.Channels {
		c := &p.Channels[i]
		if c.Wiring.Stamp == nil {
			continue
		}
		s := r.stampedOf(p, c)
		r.stamps.moved = true
		if c.Part == sensors.OfValue {
			s.stateLost = true
			continue
		}
		if s.stampLost = true; s.pending {
			r.resolve(s)
		}
	}
}

// sure is up to when all changes have been told.
func (s *stamped) sure() (until time.Time, waits bool) {
	if s.stateLost || s.stampLost {
		return time.Time{}, false
	}
	switch until = earlier(s.stateBy, s.stampBy); {
	case s.pending:
		return s.before, true
	case s.fresh:
		return earlier(until, s.at().Add(-s.clock.step)), true
	}
	return until, true
}

// inOrder adds a batch to what is held, and returns what can go out.
func (r *run) inOrder(batch []sensors.Sample) []sensors.Sample {
	h := &r.stamps
	h.moved = false
	h.held = append(h.held, batch...)
	slices.SortStableFunc(h.held, func(a, b sensors.Sample) int { return cmp.Compare(a.AtNS, b.AtNS) })
	untilNS, nowNS := int64(math.MaxInt64), r.clock.nearly(time.Now())
	for _, s := range h.signals {
		if at, waits := s.sure(); waits {
			untilNS = min(untilNS, max(r.clock.nearly(at), nowNS-int64(s.wait)))
		}
	}
	n := 0
	for n < len(h.held) && h.held[n].AtNS <= untilNS {
		h.held[n].AtNS = max(h.held[n].AtNS, h.sentNS) // where the system's time was set back
		n++
	}
	if n == 0 {
		return nil
	}
	out := slices.Clone(h.held[:n])
	h.held = h.held[:copy(h.held, h.held[n:])]
	h.sentNS = out[n-1].AtNS
	return out
}

// news reports whether a measured time is one that hasn't been told, and can't
// have been over for long.
func (p *poll) news(i int, rep reply) bool {
	n, err := p.counter(&p.Channels[i], rep.data)
	if err != nil { // unreachable: its place was found when planning
		return false
	}
	if p.counted == nil {
		p.counted = make([]counted, len(p.Channels))
	}
	was := p.counted[i]
	p.counted[i] = counted{true, n, rep.sent}
	// One that has gone back was begun anew, and what it shows is nobody's.
	return was.known && n != was.n && n-was.n < 1<<15 && rep.middle().Sub(was.sent) <= sensors.MeasuredWithin(p.Period)
}

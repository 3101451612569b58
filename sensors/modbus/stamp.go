package modbus

import (
	"fmt"
	"time"

	"gapward/sensors"
)

// A device may make times itself, finer than it can be polled. It stamps the
// changes of a signal by a clock that it shows beside the stamp, or it measures
// the release or set time and counts its measurements. The registers that
// belong together are read as nearly at once as the device lets them be.

// withStamps adds to channels those of the stamps and their clocks.
func withStamps(channels []sensors.Channel) []sensors.Channel {
	var out []sensors.Channel
	for _, c := range channels {
		out = append(out, c)
		if c.Wiring.Stamp != nil {
			for _, c.Part = range []sensors.Part{sensors.OfStamp, sensors.OfClock} {
				out = append(out, c)
			}
		}
	}
	return out
}

// findStamp works out where a channel's stamp stands, or the clock beside it.
func findStamp(c sensors.Channel) (place, error) {
	s := c.Wiring.Stamp
	wrong := func(format string, args ...any) (place, error) {
		return place{}, fmt.Errorf("stamp of %v of %s: %s", c.Signal, c.Name, fmt.Sprintf(format, args...))
	}
	var n uint16 = 1
	switch s.Type {
	case "", sensors.U16:
	case sensors.U32:
		n = 2
	default:
		return wrong("type %s counts nothing; write u16 or u32", s.Type)
	}
	switch {
	case !c.Signal.Binary():
		return wrong("only drive and released change at a moment; take it out")
	case s.Step <= 0:
		return wrong("step is %v; write what one count of its clock is, for example 1ms", s.Step)
	case (s.Input == nil) == (s.Holding == nil):
		return wrong("write one of input and holding, the register of the latest change's time")
	case s.Clock == nil:
		return wrong("write clock, the register in which the device shows its clock")
	}
	if _, err := DecodeRegisters(make([]byte, 4), sensors.U32, s.Words); err != nil {
		return wrong("%v", err)
	}
	p := place{table: InputRegisters, address: *s.Address(), width: n}
	if s.Holding != nil {
		p.table = HoldingRegisters
	}
	if c.Part == sensors.OfClock {
		p.address = *s.Clock
	}
	if p.end() > 65536 {
		return wrong("it would reach beyond the last register, 65535")
	}
	return p, nil
}

// withCounter widens the place of a measured time to its counter.
func withCounter(p place, c sensors.Channel) (place, error) {
	wrong := func(format string, args ...any) (place, error) {
		return place{}, fmt.Errorf("%v of %s: %s", c.Signal, c.Name, fmt.Sprintf(format, args...))
	}
	switch w := &c.Wiring; {
	case !c.Signal.Measured() && w.Counter == nil:
		return p, nil
	case !c.Signal.Measured():
		return wrong("only release_ms and set_ms have a counter; take it out")
	case w.Counter == nil:
		return wrong("write counter, the register that counts the measurements: else a value can't be told from the one before")
	default:
		from, end := min(p.address, *w.Counter), max(p.end(), int(*w.Counter)+1)
		if end-int(from) > sensors.CounterReach {
			return wrong("registers %d and %d lie too far apart to be read at one moment; they may span %d", p.address, *w.Counter, sensors.CounterReach)
		}
		p.address, p.width = from, uint16(end-int(from))
		return p, nil
	}
}

// stamp is a channel's stamp in the reply to r, or what the clock beside it
// showed.
func (r *Request) stamp(c *sensors.Channel, data []byte) (uint32, error) {
	s := c.Wiring.Stamp
	at := s.Address()
	if c.Part == sensors.OfClock {
		at = s.Clock
	}
	v, err := r.number(int(*at), data, s.Type, s.Words)
	return uint32(v), err
}

// counter is how many times a channel's device has measured, in the reply to r.
func (r *Request) counter(c *sensors.Channel, data []byte) (uint16, error) {
	n, err := r.number(int(*c.Wiring.Counter), data, sensors.U16, "")
	return uint16(n), err
}

const (
	// How far a device's clock may run off this machine's, as a part of the time
	// that passes: the sum of two crystals' tolerances (common practice, no
	// published source).
	clockDrift = 500e-6
	// For how long a device's clock must have run evenly to be believed.
	steadyAfter = time.Second
)

// A deviceClock relates a device's clock to this machine's. Each reading says
// that the count began between one count before the request was sent and when
// the reply came; what all of them say together is narrower than any of them,
// and moves no faster than the two clocks drift apart. So two changes that the
// device stamps keep their distance to about its resolution, however unevenly it
// is read.
type deviceClock struct {
	step time.Duration
	turn int64 // how many counts before it begins anew

	known  bool
	count  uint32    // the latest reading
	sent   time.Time // … and when it was asked for
	lo, hi time.Time // the count began between these …
	began  time.Time // … and, as far as is known, then
	since  time.Time // from when on it has run evenly
}

func newDeviceClock(s *sensors.Stamp) *deviceClock {
	c := &deviceClock{step: s.Step, turn: 1 << 16}
	if s.Type == sensors.U32 {
		c.turn = 1 << 32
	}
	return c
}

// read takes what the clock showed in a reply, and reports whether it goes on
// from the reading before. One that was set, or doesn't count in the steps that
// the site file states, doesn't.
func (c *deviceClock) read(count uint32, sent, got time.Time) bool {
	lo, hi := sent.Add(-c.step), got
	even := false
	if c.known {
		passed := sent.Sub(c.sent)
		ran := c.ahead(count, c.count, int64(passed/c.step))
		drift := time.Duration(clockDrift * float64(passed))
		move := time.Duration(ran) * c.step
		was, wasHi := c.lo.Add(move-drift), c.hi.Add(move+drift)
		if even = !was.After(hi) && !wasHi.Before(lo); even {
			lo, hi = later(lo, was), earlier(hi, wasHi)
			c.began = earlier(later(c.began.Add(move), lo), hi)
		}
	}
	if !even {
		c.began, c.since = lo.Add(hi.Sub(lo)/2), got
	}
	first := !c.known
	c.known, c.count, c.sent, c.lo, c.hi = true, count, sent, lo, hi
	return even || first
}

// ahead is by how many counts to is ahead of from, where about so many are
// expected: the clock may have begun anew in between.
func (c *deviceClock) ahead(to, from uint32, expected int64) int64 {
	counts := int64(to) - int64(from)
	off := expected - counts + c.turn/2
	turns := off / c.turn
	if off%c.turn < 0 {
		turns--
	}
	return counts + turns*c.turn
}

// steady reports whether the clock can be believed.
func (c *deviceClock) steady() bool { return c.known && c.sent.Sub(c.since) >= steadyAfter }

// at is when the device stamped a change: the middle of the count. The stamp may
// have been read after the clock, and so be a little ahead of it.
func (c *deviceClock) at(stamp uint32) time.Time {
	ago := (int64(c.count) - int64(stamp)) % c.turn
	switch most := c.turn - c.turn/8; {
	case ago < -c.turn/8:
		ago += c.turn
	case ago > most:
		ago -= c.turn
	}
	return c.began.Add(-time.Duration(ago)*c.step + c.step/2)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

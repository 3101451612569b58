package gateway

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// arrival is what one source sent at once.
type arrival struct {
	source  int // position in the daemon's list of sources
	samples []sensors.Sample
}

// order brings the samples of several sources into one order of time. A polled
// value bears the middle of its request and reply and so arrives late by half
// the round trip; one sent by a broker by the network's time. Each source sends
// in order, so what is older than the latest of every source is complete. A
// source that is silent is waited for no longer than holdNS.
//
// Each source has a clock of its own, and follows a step of the machine's when
// it notices. So how far a source has come is reckoned from its own samples and
// the time that has passed since, and the slowest is waited for, but for one
// that is silent or whose clock is plainly wrong.
type order struct {
	holdNS  int64
	from    []progress // of each source
	waiting []sensors.Sample
	doneNS  int64 // nothing older than this may follow
	late    int64 // samples that came too late to be used
}

// progress is how far a source has come.
type progress struct {
	keeps    bool // nothing goes on before it has been heard, see [sensors.Keeper]
	heard    bool
	latestNS int64         // time of its latest sample
	at       time.Duration // when that arrived
}

func newOrder(hold time.Duration, sources int) order {
	return order{holdNS: int64(hold), from: make([]progress, sources)}
}

// add takes a batch as it arrived. What is older than what was already let
// through is of no more use, and is counted.
func (o *order) add(a arrival, passed time.Duration) {
	p := &o.from[a.source]
	for _, s := range a.samples {
		if !p.heard || s.AtNS >= p.latestNS {
			p.heard, p.latestNS, p.at = true, s.AtNS, passed
		}
		if s.AtNS < o.doneNS {
			o.late++
			continue
		}
		o.waiting = append(o.waiting, s)
	}
}

const (
	silentAfter  = 2 * time.Second // then a source isn't waited for
	clocksWithin = 5 * time.Second // one further behind than this isn't either
)

// untilNS is the time up to which all has arrived, or is waited for no longer.
func (o *order) untilNS(nowNS int64, passed time.Duration) int64 {
	reached, least := int64(math.MaxInt64), int64(math.MaxInt64)
	for _, p := range o.from {
		hereNS := nowNS
		if ago := passed - p.at; p.heard && ago <= silentAfter {
			hereNS = max(p.latestNS+int64(ago), nowNS-int64(clocksWithin))
		}
		reached = min(reached, hereNS)
		if p.heard {
			least = min(least, p.latestNS)
		} else {
			least = math.MinInt64
		}
	}
	if len(o.from) == 0 {
		reached, least = nowNS, math.MinInt64
	}
	return max(reached-o.holdNS, min(least, reached))
}

// starting reports whether a source that comes with readings of the past hasn't
// done so yet.
func (o *order) starting(passed time.Duration) bool {
	return passed < sensors.KeeperFirst && slices.ContainsFunc(o.from, func(p progress) bool { return p.keeps && !p.heard })
}

// ready moves what is complete into buf, in the order of time, equals in the
// order of arrival.
func (o *order) ready(nowNS int64, passed time.Duration, buf []sensors.Sample) []sensors.Sample {
	if o.starting(passed) {
		return buf
	}
	return o.upTo(o.untilNS(nowNS, passed), buf)
}

// all moves everything into buf, complete or not.
func (o *order) all(buf []sensors.Sample) []sensors.Sample { return o.upTo(math.MaxInt64, buf) }

func (o *order) upTo(untilNS int64, buf []sensors.Sample) []sensors.Sample {
	slices.SortStableFunc(o.waiting, func(a, b sensors.Sample) int { return cmp.Compare(a.AtNS, b.AtNS) })
	n := 0
	for n < len(o.waiting) && o.waiting[n].AtNS <= untilNS {
		n++
	}
	buf = append(buf, o.waiting[:n]...)
	o.waiting = o.waiting[:copy(o.waiting, o.waiting[n:])]
	if n > 0 {
		o.doneNS = max(o.doneNS, buf[len(buf)-1].AtNS)
	}
	return buf
}

// tick is a sample that says that time has passed, if nothing else has said so
// for long enough.
func (o *order) tick(nowNS int64, passed time.Duration, buf []sensors.Sample) []sensors.Sample {
	untilNS := o.untilNS(nowNS, passed)
	if o.starting(passed) || untilNS-o.doneNS < int64(tickEvery) {
		return buf
	}
	o.doneNS = untilNS
	return append(buf, sensors.TickAt(untilNS))
}

const (
	tickEvery = 250 * time.Millisecond
	// what a message may take from its device through a broker to here
	brokerDelay = time.Second
	leastHold   = 20 * time.Millisecond
)

// holdFor is how long samples are held back for the slowest of the devices, and
// for the times that devices stamp changes with.
func holdFor(devices map[string]sensors.Device, channels []sensors.Channel) time.Duration {
	hold := leastHold
	for _, d := range devices {
		if d.MQTT != "" {
			hold = max(hold, brokerDelay, d.SkewLimit())
		} else {
			hold = max(hold, d.RequestTimeout()/2+leastHold)
		}
	}
	for _, c := range channels {
		if c.Wiring.Stamp != nil {
			hold = max(hold, modbus.StampWait(devices[c.Wiring.Device], c.Wiring.Poll)+leastHold)
		}
	}
	return hold
}

package gateway

import (
	"cmp"
	"slices"
	"time"

	"gapward/sensors"
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
type order struct {
	holdNS  int64
	latest  []int64 // time of the latest sample, by source
	waiting []sensors.Sample
	doneNS  int64 // nothing older than this may follow
	late    int64 // samples that came too late to be used
}

// add takes a batch as it arrived. What is older than what was already let
// through is of no more use, and is counted.
func (o *order) add(a arrival) {
	for _, s := range a.samples {
		o.latest[a.source] = max(o.latest[a.source], s.AtNS)
		if s.AtNS < o.doneNS {
			o.late++
			continue
		}
		o.waiting = append(o.waiting, s)
	}
}

// untilNS is the time up to which all has arrived, or is waited for no longer.
func (o *order) untilNS(nowNS int64) int64 {
	until := nowNS - o.holdNS
	if len(o.latest) > 0 {
		until = max(until, min(slices.Min(o.latest), nowNS))
	}
	return until
}

// ready moves what is complete into buf, in the order of time, equals in the
// order of arrival.
func (o *order) ready(nowNS int64, buf []sensors.Sample) []sensors.Sample {
	untilNS := o.untilNS(nowNS)
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
func (o *order) tick(nowNS int64, buf []sensors.Sample) []sensors.Sample {
	untilNS := o.untilNS(nowNS)
	if untilNS-o.doneNS < int64(tickEvery) {
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

// holdFor is how long samples are held back for the slowest of the devices.
func holdFor(devices map[string]sensors.Device) time.Duration {
	hold := leastHold
	for _, d := range devices {
		if d.MQTT != "" {
			hold = max(hold, brokerDelay)
		} else {
			hold = max(hold, d.RequestTimeout()/2+leastHold)
		}
	}
	return hold
}

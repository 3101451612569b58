package gateway

import (
	"slices"
	"time"

	"gapward/sensors"
)

// order brings the samples of several sources into one order of time. A polled
// value bears the middle of its request and reply and so arrives late by half
// the round trip; one sent by a broker by the network's time. What has arrived
// is held back that long.
type order struct {
	holdNS  int64
	waiting []sensors.Sample
	doneNS  int64 // nothing older than this may follow
	late    int64 // samples that came too late to be used
}

// add takes a batch as it arrived. What is older than what was already let
// through is of no more use, and is counted.
func (o *order) add(batch []sensors.Sample) {
	for _, s := range batch {
		if s.AtNS < o.doneNS {
			o.late++
			continue
		}
		o.waiting = append(o.waiting, s)
	}
}

// ready moves what is older than nowNS less the holding time into buf, in the
// order of time, equals in the order of arrival.
func (o *order) ready(nowNS int64, buf []sensors.Sample) []sensors.Sample {
	untilNS := nowNS - o.holdNS
	slices.SortStableFunc(o.waiting, func(a, b sensors.Sample) int {
		switch {
		case a.AtNS < b.AtNS:
			return -1
		case a.AtNS > b.AtNS:
			return 1
		}
		return 0
	})
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
	untilNS := nowNS - o.holdNS
	if untilNS-o.doneNS < int64(tickEvery) {
		return buf
	}
	o.doneNS = untilNS
	return append(buf, sensors.TickAt(untilNS))
}

const (
	tickEvery = 250 * time.Millisecond
	// what a message may take from its device through a broker
	brokerDelay = 200 * time.Millisecond
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

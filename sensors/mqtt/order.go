package mqtt

import (
	"slices"
	"time"

	"gapward/sensors"
)

// held is a sample that waits for earlier ones of other topics.
type held struct {
	sample    sensors.Sample
	arrivedNS int64
}

// holdBack brings the samples of several topics into the order of time.
//
// A device that stamps its readings sends those of several topics one after
// the other, so that they arrive a little out of order. Each sample waits for
// a fixed time after its arrival, and until its own time is as long ago; it
// then goes out together with all earlier ones. What arrives still later, with
// a time before one that has gone out, can't be placed any more.
type holdBack struct {
	wait   time.Duration
	held   []held
	sentNS int64 // the latest time that has gone out
}

// late reports whether a sample of that time has missed its place.
func (h *holdBack) late(atNS int64) bool { return atNS < h.sentNS }

func (h *holdBack) add(s sensors.Sample, arrivedNS int64) {
	h.held = append(h.held, held{s, arrivedNS})
}

// take returns what is due at nowNS, in the order of time; samples of one time
// stay in the order in which they were added.
func (h *holdBack) take(nowNS int64) []sensors.Sample {
	due := int64(-1)
	for _, s := range h.held {
		if s.dueNS(h.wait) <= nowNS && s.sample.AtNS > due {
			due = s.sample.AtNS
		}
	}
	return h.takeUntil(due)
}

// takeUntil returns what is held up to a time.
func (h *holdBack) takeUntil(untilNS int64) []sensors.Sample {
	slices.SortStableFunc(h.held, func(a, b held) int {
		switch {
		case a.sample.AtNS < b.sample.AtNS:
			return -1
		case a.sample.AtNS > b.sample.AtNS:
			return 1
		}
		return 0
	})
	n := 0
	for n < len(h.held) && h.held[n].sample.AtNS <= untilNS {
		n++
	}
	if n == 0 {
		return nil
	}
	batch := make([]sensors.Sample, n)
	for i, s := range h.held[:n] {
		batch[i] = s.sample
	}
	h.held = h.held[:copy(h.held, h.held[n:])]
	h.sentNS = batch[n-1].AtNS
	return batch
}

// nextNS is when something will be due; ok is false where nothing is held.
func (h *holdBack) nextNS() (atNS int64, ok bool) {
	for i, s := range h.held {
		if due := s.dueNS(h.wait); i == 0 || due < atNS {
			atNS = due
		}
	}
	return atNS, len(h.held) > 0
}

func (s held) dueNS(wait time.Duration) int64 {
	return max(s.arrivedNS, s.sample.AtNS) + int64(wait)
}

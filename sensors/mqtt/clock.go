package mqtt

import (
	"sync/atomic"
	"time"
)

// clock gives times of arrival that never fall. It takes the wall clock once
// and goes on by the monotonic one, for a wall clock may step.
type clock struct {
	began    time.Time
	aheadNS  atomic.Int64  // how far the wall clock has been followed since
	lastNS   atomic.Int64  // the latest time given
	followed time.Duration // since began, when follow was called last
}

func newClock() *clock { return &clock{began: time.Now()} }

// nowNS is the time, UTC, nanoseconds since 1970.
func (c *clock) nowNS() int64 {
	now := c.freeNS()
	for {
		last := c.lastNS.Load()
		if now <= last {
			return last
		}
		if c.lastNS.CompareAndSwap(last, now) {
			return now
		}
	}
}

// freeNS is the time but for its never falling.
func (c *clock) freeNS() int64 {
	return c.began.UnixNano() + int64(time.Since(c.began)) + c.aheadNS.Load()
}

// follow compares with the wall clock. A step forward is followed, so that a
// machine that starts with a wrong clock gets right once it learns the time.
// After a step back the clock runs a thousandth slow until both agree, like
// those of the other sources: times must not fall. Below a second nothing is a
// step.
func (c *clock) follow() (step time.Duration) {
	passed := time.Since(c.began) - c.followed
	c.followed += passed
	step = time.Duration(time.Now().UnixNano() - c.freeNS())
	switch {
	case step > time.Second:
		c.aheadNS.Add(int64(step))
		return step
	case step < -time.Second:
		c.aheadNS.Add(-int64(passed / 1000))
		return step
	}
	return 0
}

// overrun counts the messages of one topic that found the queue full.
type overrun struct{ n atomic.Int64 }

func (o *overrun) add() { o.n.Add(1) }

// take returns the count and begins it anew.
func (o *overrun) take() int64 { return o.n.Swap(0) }

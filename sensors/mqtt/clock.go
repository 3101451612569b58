package mqtt

import (
	"sync/atomic"
	"time"
)

// clock gives times of arrival that never fall. It takes the wall clock once
// and goes on by the monotonic one, for a wall clock may step.
type clock struct {
	began   time.Time
	aheadNS atomic.Int64 // how far the wall clock has been set forward since
}

func newClock() *clock { return &clock{began: time.Now()} }

// nowNS is the time, UTC, nanoseconds since 1970.
func (c *clock) nowNS() int64 {
	return c.began.UnixNano() + int64(time.Since(c.began)) + c.aheadNS.Load()
}

// follow compares with the wall clock. A step forward is followed, so that a
// machine that starts with a wrong clock gets right once it learns the time. A
// step back can't be, because times must not fall; it is only reported. Below
// a second nothing is a step.
func (c *clock) follow() (step time.Duration) {
	step = time.Duration(time.Now().UnixNano() - c.nowNS())
	switch {
	case step > time.Second:
		c.aheadNS.Add(int64(step))
		return step
	case step < -time.Second:
		return step
	}
	return 0
}

// overrun counts the messages of one topic that found the queue full.
type overrun struct{ n atomic.Int64 }

func (o *overrun) add() { o.n.Add(1) }

// take returns the count and begins it anew.
func (o *overrun) take() int64 { return o.n.Swap(0) }

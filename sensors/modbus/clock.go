package modbus

import "time"

// A clock turns moments into UTC without ever going back.
//
// Wall time is taken once; what follows is that plus time that has passed by
// the monotonic clock, so that a step of the system's time doesn't get into a
// duration between two samples.
type clock struct {
	anchorNS int64     // UTC at …
	anchor   time.Time // … this moment of the monotonic clock
	checked  time.Time
	lastNS   int64
	back     bool // the wall clock was set back, and we're waiting for it
}

// tolerated is how far samples' time may be from the system's.
const tolerated = time.Second

func newClock(now time.Time) *clock {
	return &clock{anchorNS: now.UnixNano(), anchor: now, checked: now}
}

// at is the time of a moment, in nanoseconds UTC since 1970. Times don't
// decrease from call to call.
func (c *clock) at(t time.Time) int64 {
	c.lastNS = max(c.lastNS, c.anchorNS+int64(t.Sub(c.anchor)))
	return c.lastNS
}

// nearly is the time of a moment that may lie before ones that were asked for.
func (c *clock) nearly(t time.Time) int64 { return c.anchorNS + int64(t.Sub(c.anchor)) }

// check compares with the system's time, which now holds beside the monotonic
// one. When that has been set forward by more than a second, so is the clock.
// When it has been set back, the clock runs a thousandth slow until it agrees:
// samples can't go back in time, and holding it still would spoil durations.
//
// The step is how far the system's time had moved when that was noticed, and 0
// otherwise.
func (c *clock) check(now time.Time) (step time.Duration) {
	ahead := time.Duration(c.anchorNS + int64(now.Sub(c.anchor)) - now.UnixNano())
	passed := now.Sub(c.checked)
	c.checked = now
	switch {
	case ahead < -tolerated:
		c.anchorNS -= int64(ahead)
		c.back = false
		return -ahead
	case ahead > tolerated:
		c.anchorNS -= int64(passed / 1000)
		if !c.back {
			c.back = true
			return -ahead
		}
	default:
		c.back = false
	}
	return 0
}

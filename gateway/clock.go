package gateway

import "time"

// moment is a time by both clocks of the machine.
type moment struct {
	wallNS int64         // UTC, which somebody may set
	passed time.Duration // since the daemon began, which nobody can
}

// clock is the owner's time: UTC that never falls. It takes the wall clock once
// and goes on by what has passed. When the wall clock is set forward, it
// follows, but not before the sources have. When that is set back, it runs a thousandth slow until both agree,
// as the sources' clocks do: samples can't go back in time, and standing still
// would spoil durations.
type clock struct {
	begun   bool
	atNS    int64         // UTC …
	at      time.Duration // … at this moment
	apartNS int64         // how far the wall clock was ahead, when last looked at
	behind  bool          // it is ahead by a step …
	since   time.Duration // … since this moment
}

// clockStep is what is a step of the clock, and no drift.
const clockStep = time.Second

// followAfter is longer than any source takes to notice a step: else those that
// haven't would seem to be far behind.
const followAfter = 3 * time.Second

// read is the time at a moment. step is how far the wall clock was set since the
// last reading, 0 where it wasn't.
func (c *clock) read(m moment) (nowNS int64, step time.Duration) {
	if !c.begun {
		c.begun, c.atNS, c.at = true, m.wallNS, m.passed
		return c.atNS, 0
	}
	passed := max(0, m.passed-c.at)
	c.at = max(c.at, m.passed)
	c.atNS += int64(passed)
	if m.wallNS-c.atNS < -int64(clockStep) {
		c.atNS -= int64(passed / 1000)
	}
	apartNS := m.wallNS - c.atNS
	if moved := time.Duration(apartNS - c.apartNS); moved.Abs() > clockStep {
		step = moved
	}
	switch {
	case apartNS <= int64(clockStep):
		c.behind = false
	case !c.behind:
		c.behind, c.since = true, m.passed
	case m.passed-c.since >= followAfter:
		c.atNS, apartNS, c.behind = m.wallNS, 0, false
	}
	c.apartNS = apartNS
	return c.atNS, step
}

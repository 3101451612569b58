package modbus

import (
	"testing"
	"time"
)

func TestClock(t *testing.T) {
	start := time.Date(2026, 3, 29, 0, 59, 0, 0, time.UTC)
	c := newClock(start)
	at := func(d time.Duration) time.Duration { return time.Duration(c.at(start.Add(d)) - start.UnixNano()) }
	if got := at(time.Second); got != time.Second {
		t.Errorf("a second later is %v", got)
	}
	if got := at(time.Second / 2); got != time.Second {
		t.Errorf("an earlier moment is %v: time went back", got)
	}
}

// The wall and the monotonic clock of one time.Time can't be set apart in a
// test, so the anchor is: it stands for a wall clock that was set the other
// way.
func TestClockFollowsTheSystemsTime(t *testing.T) {
	start := time.Now()
	c := newClock(start)
	c.anchorNS -= int64(time.Hour) // the system's time was set an hour forward
	if step := c.check(start.Add(time.Second)); step != time.Hour {
		t.Errorf("the step is %v", step)
	}
	if got := c.at(start.Add(2 * time.Second)); got != start.Add(2*time.Second).UnixNano() {
		t.Errorf("after a step forward the clock is %v wrong", time.Duration(got-start.Add(2*time.Second).UnixNano()))
	}

	c = newClock(start)
	c.anchorNS += int64(3 * time.Second) // set back by three seconds
	steps, lastNS := 0, int64(0)
	for i := range 3000 {
		now := start.Add(time.Duration(i) * time.Second)
		if step := c.check(now); step != 0 {
			steps++
			if step != -3*time.Second {
				t.Errorf("the step is %v", step)
			}
		}
		got := c.at(now)
		if passed := time.Duration(got - lastNS); i > 0 && (passed < 998*time.Millisecond || passed > time.Second) {
			t.Fatalf("a second lasts %v", passed)
		}
		lastNS = got
	}
	if off := time.Duration(lastNS - start.Add(2999*time.Second).UnixNano()); off > tolerated || steps != 1 {
		t.Errorf("after 50 minutes the clock is %v ahead; it told of %d steps", off, steps)
	}
}

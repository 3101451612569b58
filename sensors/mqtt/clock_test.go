package mqtt

import (
	"testing"
	"time"
)

// After a step back the wall clock is waited for, without a time that falls.
func TestClockRunsSlowAfterAStepBack(t *testing.T) {
	c := newClock()
	c.aheadNS.Store(int64(10 * time.Second)) // as if the wall clock had been set back by ten seconds
	c.follow()
	before := c.nowNS()
	c.followed -= 1000 * time.Second // as if so much had passed since
	if step := c.follow(); step > -9*time.Second || step < -11*time.Second {
		t.Errorf("ten seconds ahead, it tells of a step of %v", step)
	}
	if ahead := time.Duration(c.aheadNS.Load()); ahead < 8900*time.Millisecond || ahead > 9*time.Second {
		t.Errorf("after 1000 s it is still %v ahead, want 9 s", ahead)
	}
	if now := c.nowNS(); now < before || now > before+int64(500*time.Millisecond) {
		t.Errorf("its time went by %v at once", time.Duration(now-before))
	}
	c.aheadNS.Store(0)
	if step := c.follow(); step != 0 {
		t.Errorf("in agreement it tells of a step of %v", step)
	}
	c.aheadNS.Store(-int64(time.Hour)) // the wall clock was set forward
	if step := c.follow(); step < time.Hour-time.Second || step > time.Hour+time.Second {
		t.Errorf("an hour behind, it tells of a step of %v", step)
	}
	if off := time.Duration(time.Now().UnixNano() - c.freeNS()).Abs(); off > time.Second {
		t.Errorf("after following it is %v off", off)
	}
}

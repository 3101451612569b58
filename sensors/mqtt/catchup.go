package mqtt

import "time"

const (
	// firstWithin is how long, from the beginning of Run, the broker is waited
	// for before anything else goes out than what it has kept; once it has let
	// us in, twice as long. The gateway waits a little longer for a source that
	// keeps a session to speak.
	firstWithin = 6 * time.Second
	// pastWithin is how long after a connection was made a reading from before
	// it is taken for one that the broker has kept. Beyond it the sender's
	// clock is to blame.
	pastWithin = 5 * time.Second
	// pastQuiet is the silence that ends what the broker has kept.
	pastQuiet = 400 * time.Millisecond
)

// catchUp is the state of what the broker has kept for a session. The zero value
// is that of a session that isn't kept.
type catchUp struct {
	keeps    bool
	first    bool  // nothing has gone out in this Run: what was kept comes first
	beganNS  int64 // when Run began
	dialNS   int64 // when the present connection was dialled; 0 before the first
	open     bool  // readings from before it may still come
	welcome  bool  // the broker has let us in, in this Run
	heardNS  int64 // the latest arrival, or the welcome
	readings int   // from before the connection
}

func newCatchUp(keeps bool, nowNS int64) catchUp {
	return catchUp{keeps: keeps, first: keeps, beganNS: nowNS}
}

// welcomed notes that the broker has let us in.
func (c *catchUp) welcomed(nowNS int64) { c.welcome, c.heardNS = true, max(c.heardNS, nowNS) }

// kept reports whether a reading of that time was kept by the broker from before
// the connection that was dialled at dialNS. One from after it ends that.
func (c *catchUp) kept(atNS, arrivedNS, dialNS int64) bool {
	if !c.keeps {
		return false
	}
	if dialNS != c.dialNS {
		c.dialNS, c.open = dialNS, true
	}
	c.heardNS = max(c.heardNS, arrivedNS)
	if c.open && (atNS >= c.dialNS || arrivedNS-c.dialNS > int64(pastWithin)) {
		c.open = false
	}
	return c.open
}

// over ends the time in which what was kept goes first, and is true when it
// has just ended.
func (c *catchUp) over(nowNS int64) bool {
	if !c.first {
		return false
	}
	waited := nowNS - c.beganNS
	switch {
	case !c.welcome && waited < int64(firstWithin):
		return false
	case c.welcome && waited < 2*int64(firstWithin) && (c.dialNS == 0 || c.open) && nowNS-c.heardNS < int64(pastQuiet):
		return false
	}
	c.first = false
	return true
}

// pause is how long to wait before the next flush: what is gathered isn't
// looked at so often.
func (c *catchUp) pause(usual time.Duration) time.Duration {
	if c.first {
		return max(usual, 50*time.Millisecond)
	}
	return usual
}

package mqtt

import "time"

const (
	// firstWithin is how long, from the beginning of Run, what the broker has
	// kept is waited for before anything else goes out. The gateway waits a
	// little longer for a source that keeps a session to speak.
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
	first    bool  // nothing has gone out in this Run: what was kept comes first
	open     bool  // the connection is new: readings from before it may come
	sinceNS  int64 // when the connection was made, or Run began
	heardNS  int64 // the latest arrival
	readings int   // from before the connection
}

// begin notes a new connection.
func (c *catchUp) begin(nowNS int64) {
	c.open, c.sinceNS, c.heardNS = true, nowNS, max(c.heardNS, nowNS)
}

// kept reports whether a reading of that time was kept by the broker from before
// the connection. One from after it ends that.
func (c *catchUp) kept(atNS, arrivedNS, connectedNS int64) bool {
	switch {
	case connectedNS == 0:
		return c.first // it came before the connection's handlers did
	case !c.open || arrivedNS-c.sinceNS > int64(pastWithin):
		return false
	case atNS >= connectedNS:
		c.open = false
		return false
	}
	return true
}

// over ends the time in which what was kept goes first, and is true when it
// has just ended.
func (c *catchUp) over(nowNS, connectedNS int64) bool {
	if !c.first {
		return false
	}
	waiting := connectedNS == 0 || c.sinceNS < connectedNS || c.open && nowNS-c.heardNS < int64(pastQuiet)
	if waiting && nowNS-c.sinceNS < int64(firstWithin) {
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

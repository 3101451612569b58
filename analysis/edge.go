package analysis

import "math"

// edge is a change of a binary signal. Its old value was last seen for certain
// at LoNS and the new one first at HiNS. A bouncing contact may have shown the
// old value after that again, last at OldNS.
type edge struct {
	On                bool
	LoNS, HiNS, OldNS int64
	BounceMS          float64 // for how long the contact is thought to bounce …
	BounceUMS         float64 // … and the standard uncertainty of that
}

// oldNS is when the old value was last seen.
func (e edge) oldNS() int64 { return max(e.LoNS, e.OldNS) }

// widthMS is how long the last old reading comes before the first new one;
// negative where the contact was seen to bounce.
func (e edge) widthMS() float64 { return float64(e.HiNS-e.oldNS()) * 1e-6 }

// middleNS is the middle between the last old reading and the first new one.
func (e edge) middleNS() int64 {
	if e.LoNS == e.HiNS {
		return e.HiNS
	}
	old := e.oldNS()
	return old + (e.HiNS-old)/2
}

// atNS is the estimate of the edge's time. It was before HiNS, and no longer
// before the last old reading than the contact bounces: the middle of the two.
func (e edge) atNS() int64 {
	if e.LoNS == e.HiNS { // the device told the change when it came
		return e.HiNS
	}
	return e.middleNS() - int64(e.BounceMS*0.5e6)
}

// uS is the standard uncertainty of the edge's time in seconds, but for what is
// not known of its mean. Without bounce it is that of a uniform distribution over
// the poll bracket w (JCGM 100:2008, 4.3.7). Bounce of up to the bracket's width
// b < w adds two flanks on which the density is half as high,
//
//	u² = [b·(b²/12 + w²/4) + (w−b)³/12] / w = w²/12 + b²/4,
//
// and a longer one, seen or not, leaves a uniform distribution over w + b. Of a
// bounce that is itself uncertain the square's expectation counts.
func (e edge) uS() float64 {
	if e.LoNS == e.HiNS {
		return 0
	}
	w, b, u := e.widthMS()*1e-3, e.BounceMS*1e-3, e.BounceUMS*1e-3
	if b < w {
		return math.Sqrt(w*w/12 + (b*b+u*u)/4)
	}
	return math.Hypot(w+b, u) / math.Sqrt(12)
}

const (
	// contacts bounce for up to 20 ms; a new value counts when it has held
	// for longer than that
	debounceNS = 25e6
	// a bracket many times wider than the usual step belongs to a signal that
	// is sent only when it changes
	maxPollNS = 500e6
)

// contact finds the edges of a binary signal and sees through contact bounce.
type contact struct {
	known   bool // a good reading has been seen
	on      bool // the value, bounce removed
	pending bool // a new value is being held on trial
	cand    edge
	candOff int64 // when the value on trial was last seen to be gone, 0 while it holds

	lastNS   int64   // time of the latest good reading
	stepNS   float64 // usual time between readings, learned from repeats; 0 while unknown
	repeats  int
	polledNS int64 // configured poll period, 0 where none
	changes  bool  // the source sends only changes, or each with a time of its own
	stampNS  int64 // the step of that time, 0 where nothing is known of it
	doubted  bool  // a reading since the latest good one was bad
}

// step takes a reading and reports whether an edge has become certain, which
// then stands in cand.
func (c *contact) step(atNS int64, on bool) bool {
	if !c.known {
		c.known, c.on, c.lastNS = true, on, atNS
		return false
	}
	prevNS, doubted := c.lastNS, c.doubted
	c.lastNS, c.doubted = atNS, false
	if on == c.on && !c.pending { // nearly all readings say what the one before said
		if atNS > prevNS {
			c.learnStep(float64(atNS - prevNS))
		}
		return false
	}
	raw := c.on
	if c.pending && c.candOff == 0 {
		raw = !c.on
	}
	if on == raw && atNS > prevNS {
		c.learnStep(float64(atNS - prevNS))
	}

	switch {
	case on == c.on && c.pending:
		if c.candOff == 0 {
			c.candOff = atNS
		}
		c.cand.OldNS = atNS
	case on != c.on && !c.pending:
		c.pending, c.candOff = true, 0
		c.cand = edge{On: on, LoNS: prevNS, HiNS: atNS}
		switch {
		case c.changes && doubted: // what was bad may have been the change
		case c.sentOnChange(prevNS, atNS):
			c.cand.LoNS, c.cand.HiNS = atNS-c.stampNS/2, atNS+c.stampNS/2
		}
	case on != c.on:
		c.candOff = 0
	}
	return c.advance(atNS)
}

// advance lets time pass: a value that has held long enough becomes an edge,
// which then stands in cand.
func (c *contact) advance(nowNS int64) bool {
	if !c.pending {
		return false
	}
	if c.candOff != 0 {
		if nowNS-c.candOff > debounceNS {
			c.pending = false // it was a glitch
		}
		return false
	}
	// Polls further apart than the bounce lasts can't see it twice.
	if nowNS-c.cand.HiNS < debounceNS && c.periodNS() < debounceNS {
		return false
	}
	c.pending, c.on = false, c.cand.On
	return true
}

func (c *contact) learnStep(dNS float64) {
	if c.polledNS > 0 || c.changes { // there is nothing to learn
		return
	}
	part := 0.01
	if c.repeats < 1000 {
		c.repeats++
		part = max(part, 0.5/float64(c.repeats))
	}
	if c.stepNS == 0 {
		c.stepNS = dNS
		return
	}
	// The median by stochastic approximation: lost polls don't drag it.
	off, most := dNS-c.stepNS, c.stepNS*part
	switch {
	case off > most:
		off = most
	case off < -most:
		off = -most
	}
	c.stepNS += off
}

// periodNS is the poll period as configured or learned; 0 while unknown.
func (c *contact) periodNS() float64 {
	if c.polledNS > 0 {
		return float64(c.polledNS)
	}
	if c.changes {
		return 0
	}
	return c.stepNS
}

// sentOnChange reports whether the reading at atNS came because the value
// changed, so that its own time is the edge's.
func (c *contact) sentOnChange(prevNS, atNS int64) bool {
	if c.changes {
		return true
	}
	if c.polledNS > 0 {
		return false
	}
	return c.stepNS == 0 || c.stepNS > maxPollNS || float64(atNS-prevNS) > 50*c.stepNS
}

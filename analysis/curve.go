package analysis

import "math"

// curve is the course that one brake's travel takes after the drive is
// switched, learned over cycles: how long after the edge the travel has done a
// tenth, two tenths and so on of its way.
//
// A poll sees the travel pass a level somewhere between two readings. The
// middle of the two, less the middle of the edge's own bracket, errs by up to a
// poll either way, but not on average, as long as brake and polls are not in
// step: so its mean over cycles is the curve. Once that is known, every reading
// on the way tells when the level of interest was passed: the curve says how
// long it takes from there to here. What is then left is the edge's own
// bracket.
//
// Until curveKnown cycles have been seen the time is the middle of the poll in
// which the level was passed, with the polls of edge and passage in its
// uncertainty. After that it gets better for some sixty cycles more, and the
// uncertainty follows. The curve forgets over curveMemory cycles, for it
// changes as the gap grows. A bouncing drive contact is learned from the same
// cycles; see [bounce].
type curve struct {
	n  float64              // cycles it rests on
	at [curveLevels]float64 // seconds after the edge, by level
}

const (
	curveLevels = 19   // 0.05, 0.10 … 0.95 of the way
	curveStep   = 0.05 //
	curveAim    = 17   // 0.90: the level that the times are taken to
	curveKnown  = 6    // cycles before the curve is used
	curveTells  = 20   // … and before it says what came late
	curveMemory = 100  // cycles it forgets over: the gap grows
)

// time is the time from the middle of an edge's bracket to nine tenths of the
// travel's way from one level to another among the readings lo to hi, and its
// standard uncertainty, the edge's own apart; NaN where it isn't passed. The cycle teaches the curve. later is by how much
// the travel came later than the curve says, NaN while that isn't known.
func (c *curve) time(t *trace, lo, hi int, from edge, fromMM float64, to level) (s, uS, later float64) {
	toMM := to.MM
	way := toMM - fromMM
	share := func(i int) float64 { return (t.mm(i) - fromMM) / way }
	edgeNS := from.middleNS()
	seconds := func(i int) float64 { return float64(t.at(i)-edgeNS) * 1e-9 }

	// First passages of all levels.
	var middle [curveLevels]float64
	aim, aimLast, level, last := 0, 0, 0, -1
	for i := lo; i < hi && level < curveLevels; i++ {
		x := share(i)
		if x < -wildShare || x > 1+wildShare || i+1 < hi && share(i+1) < 0.6*x && x >= curveStep { // a spike: nothing else goes there, or the reading after doesn't confirm it
			continue
		}
		for level < curveLevels && x >= curveStep*float64(level+1) {
			if last < 0 {
				return NoValue(), NoValue(), NoValue() // under way before it was looked at
			}
			middle[level] = (seconds(last) + seconds(i)) / 2
			if level == curveAim {
				aim, aimLast = i, last
			}
			level++
		}
		last = i
	}
	if aim == 0 {
		return NoValue(), NoValue(), NoValue()
	}
	before, after := seconds(aimLast), seconds(aim)
	s, uS, later = (before+after)/2, (after-before)/math.Sqrt(12), NoValue()
	if c.n >= curveKnown {
		s, uS = c.locate(t, aim, before, after, share, seconds, math.Abs(to.SD/way), math.Abs(to.U/way))
	}
	if c.n >= curveTells {
		later = s - c.at[curveAim]
	}
	if level == curveLevels {
		c.learn(&middle, after-before)
	}
	return s, uS, later
}

// wildShare is how far beyond its levels the travel may be seen, as a part of
// the way.
const wildShare = 0.15

// locate is when the level of interest was passed, by every reading on the way
// and the curve. aim is the first reading beyond it.
func (c *curve) locate(t *trace, aim int, before, after float64, share, seconds func(int) float64, sd, uLevel float64) (s, uS float64) {
	step := after - before
	var sum, weights, common float64
	for i := aim + 2; i > aim-60 && i > t.head; i-- {
		if i >= t.end() {
			continue
		}
		x := share(i)
		if x < curveStep && i < aim {
			break
		}
		if i > aim && share(i-1) > x { // the bounce has begun
			continue
		}
		toGo, slope, ok := c.toGo(x)
		if !ok {
			continue
		}
		// How well the curve knows the way between two levels: passages of
		// polled levels come a whole number of polls apart.
		part := math.Abs(toGo) / step
		part -= math.Floor(part)
		known := step * math.Sqrt(part*(1-part)/c.worth())
		u := combined(sd*slope, known, 0.02*step+1e-4)
		sum += (seconds(i) + toGo) / (u * u)
		weights += 1 / (u * u)
		common += known / (u * u)
	}
	if weights == 0 {
		// All of the way lies between two readings.
		lo := before + math.Max(0, c.at[curveAim]-c.at[0])
		hi := after - math.Max(0, c.at[curveLevels-1]-c.at[curveAim])
		if lo >= hi {
			return (before + after) / 2, step / math.Sqrt(12)
		}
		return (lo + hi) / 2, (hi - lo) / math.Sqrt(12)
	}
	// A level that is off moves all shares together, and what the curve has
	// wrong of the level of interest is in every reading's answer.
	_, slope, _ := c.toGo(curveStep * (curveAim + 1))
	// Where the travel nears its end slowly, noise and ripple alone may take it past
	// the level some polls too early or too late.
	within := 3 * sd * slope
	s = math.Min(math.Max(sum/weights, before-within), after+within)
	return s, combined(1/math.Sqrt(weights), common/weights, uLevel*slope)
}

// worth is the number of cycles of which the curve is a mean; one that forgets is
// as good as one of nearly twice as many as it remembers.
func (c *curve) worth() float64 {
	if c.n >= curveMemory {
		return 2*curveMemory - 1
	}
	return c.n
}

// toGo is how long it takes from a share of the way to the level of interest
// (negative beyond it), and the curve's slope there in seconds per share.
func (c *curve) toGo(x float64) (s, slope float64, ok bool) {
	at := x/curveStep - 1
	if at < 0 || at > curveLevels-1 {
		return 0, 0, false
	}
	i := min(int(at), curveLevels-2)
	rise := c.at[i+1] - c.at[i]
	here := c.at[i] + (at-float64(i))*rise
	return c.at[curveAim] - here, rise / curveStep, true
}

// learn folds a cycle in. One that was far off (the brake hesitated) doesn't
// count for more than two polls.
func (c *curve) learn(middle *[curveLevels]float64, step float64) {
	c.n = math.Min(c.n+1, curveMemory)
	for i, m := range middle {
		d := m - c.at[i]
		if c.n > curveKnown {
			d = math.Max(-2*step, math.Min(2*step, d))
		}
		c.at[i] += d / c.n
	}
}

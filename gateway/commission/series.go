package commission

import (
	"math"
	"slices"
	"sort"
	"time"

	"gapward/sensors"
)

// series is the trusted readings of a channel, in its unit.
type series struct {
	atNS []int64
	v    []float64
}

func (s *series) add(atNS int64, v float64) {
	s.atNS, s.v = append(s.atNS, atNS), append(s.v, v)
}

// holdEvery is how often a value that is told only when it changes is taken to
// have been read in between.
const holdEvery = 50 * time.Millisecond

// held fills in what a device that reports changes has kept to itself: that
// nothing changed.
func (s series) held() series {
	var out series
	for i := range s.v {
		end := s.atNS[i] + 1
		if i+1 < len(s.v) {
			end = s.atNS[i+1]
		}
		for at := s.atNS[i]; at < end; at += int64(holdEvery) {
			out.add(at, s.v[i])
		}
	}
	return out
}

// within is the part of the series from a time to another.
func (s series) within(fromNS, toNS int64) series {
	lo := sort.Search(len(s.atNS), func(i int) bool { return s.atNS[i] >= fromNS })
	hi := sort.Search(len(s.atNS), func(i int) bool { return s.atNS[i] >= toNS })
	if hi < lo {
		hi = lo
	}
	return series{s.atNS[lo:hi], s.v[lo:hi]}
}

// scaled makes values of raw readings, and counts those outside of the scale.
func scaled(c sensors.Channel, readings []reading) (s series, outside int) {
	for _, r := range readings {
		if r.quality != sensors.Good {
			continue
		}
		if v := r.sample(c); v.Quality == sensors.Good {
			s.add(v.AtNS, v.Value)
		} else {
			outside++
		}
	}
	if c.Wiring.ByException() {
		s = s.held()
	}
	return s, outside
}

// timeline is a signal that is on or off, from its first reading to its last.
type timeline struct {
	fromNS, toNS int64
	changes      []int64 // the times of change, in order
	first        bool    // the state before the first change
	holes        []span  // when nothing was read for long
}

// hole is how long nothing must be read for the state to count as unknown: five
// periods, but not less than 200 ms.
func hole(poll time.Duration) time.Duration { return max(5*poll, 200*time.Millisecond) }

// bounceNS is how short a state must be to count as the bounce of a contact.
const bounceNS = 45e6

// timelineOf tells when a series is above a threshold; hysteresis is the part
// of it on both sides in which the state stays. After a hole in the readings the
// state is known anew.
func timelineOf(s series, threshold, hysteresis float64, hole time.Duration) timeline {
	var t timeline
	if len(s.v) == 0 {
		return t
	}
	t.fromNS, t.toNS, t.first = s.atNS[0], s.atNS[len(s.atNS)-1], s.v[0] > threshold
	on := t.first
	for i, v := range s.v {
		if i > 0 && s.atNS[i]-s.atNS[i-1] > int64(hole) {
			t.holes = append(t.holes, span{fromNS: s.atNS[i-1], to: s.atNS[i]})
		}
		if on && v < threshold-hysteresis || !on && v > threshold+hysteresis {
			on = !on
			if n := len(t.changes); n > 0 && s.atNS[i]-t.changes[n-1] < bounceNS {
				t.changes = t.changes[:n-1] // it was back before it counted
			} else {
				t.changes = append(t.changes, s.atNS[i])
			}
		}
	}
	return t
}

// at is the state at a time, and since when it is known to have lasted: within
// a hole it isn't known at all, and since is the time itself.
func (t *timeline) at(ns int64) (on bool, since int64) {
	i := sort.Search(len(t.changes), func(i int) bool { return t.changes[i] > ns })
	on = t.first != (i%2 == 1)
	since = t.fromNS
	if i > 0 {
		since = t.changes[i-1]
	}
	if h := sort.Search(len(t.holes), func(h int) bool { return t.holes[h].fromNS > ns }); h > 0 {
		since = max(since, min(t.holes[h-1].to, ns))
	}
	return on, since
}

// times is how often the signal went on.
func (t *timeline) times() int {
	if t.first {
		return len(t.changes) / 2
	}
	return (len(t.changes) + 1) / 2
}

// spans lists when the signal was in a state, without the guard after each
// change.
func (t *timeline) spans(on bool, guard time.Duration) (list []span) {
	from, state := t.fromNS, t.first
	take := func(to int64) {
		start := from
		if from != t.fromNS {
			start += int64(guard)
		}
		if state == on && to > start {
			list = append(list, span{fromNS: start, to: to})
		}
	}
	for _, c := range t.changes {
		take(c)
		from, state = c, !state
	}
	take(t.toNS + 1)
	return list
}

// together says how far two signals are on together: the correlation φ of two
// states, 1 where they agree and −1 where one is the other's opposite. The
// guard after each change of either is left out: a brake follows its drive
// late. ok is false where too little is left to tell.
func together(a, b *timeline, guard time.Duration) (phi float64, ok bool) {
	from, to := max(a.fromNS, b.fromNS), min(a.toNS, b.toNS)
	var n [2][2]float64
	for at := from; at < to; at += int64(holdEvery) {
		x, sinceX := a.at(at)
		y, sinceY := b.at(at)
		if at-sinceX < int64(guard) || at-sinceY < int64(guard) {
			continue
		}
		n[bit(x)][bit(y)]++
	}
	rows := (n[0][0] + n[0][1]) * (n[1][0] + n[1][1])
	columns := (n[0][0] + n[1][0]) * (n[0][1] + n[1][1])
	if rows == 0 || columns == 0 || n[0][0]+n[0][1]+n[1][0]+n[1][1] < 20 {
		return 0, false
	}
	return (n[1][1]*n[0][0] - n[1][0]*n[0][1]) / math.Sqrt(rows*columns), true
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// median is the middle of some values, or no number of none.
func median(v []float64) float64 { return quantile(v, 0.5) }

// quantile is a quantile of some values, or no number of none.
func quantile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	slices.Sort(s)
	at := p * float64(len(s)-1)
	i := int(at)
	if i+1 >= len(s) {
		return s[len(s)-1]
	}
	return s[i] + (at-float64(i))*(s[i+1]-s[i])
}

// scatter is a standard deviation that single readings far off don't move:
// 1.4826 times the median distance from the median. Where most readings fall
// on one step of the scale it is that of the differences from one to the next.
func scatter(v []float64) float64 {
	m := median(v)
	d := make([]float64, len(v))
	for i, x := range v {
		d[i] = math.Abs(x - m)
	}
	if s := 1.4826 * median(d); s > 0 || len(v) < 2 {
		return s
	}
	sum := 0.0
	for i := 1; i < len(v); i++ {
		sum += (v[i] - v[i-1]) * (v[i] - v[i-1])
	}
	return math.Sqrt(sum / 2 / float64(len(v)-1))
}

// deviation is the ordinary standard deviation, 0 of fewer than two.
func deviation(v []float64) float64 {
	if len(v) < 2 {
		return 0
	}
	mean, sum := 0.0, 0.0
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		sum += (x - mean) * (x - mean)
	}
	return math.Sqrt(sum / float64(len(v)-1))
}

// twoLevels parts values into a lower and an upper group by two means, and is
// false where they don't keep apart: the levels then lie nearer than four times
// the scatter within them.
func twoLevels(v []float64) (low, high float64, apart bool) {
	low, high = quantile(v, 0.002), quantile(v, 0.998)
	if !(high > low) {
		return low, high, false
	}
	var sum, square, n [2]float64
	for range 20 {
		middle := (low + high) / 2
		sum, square, n = [2]float64{}, [2]float64{}, [2]float64{}
		for _, x := range v {
			g := bit(x > middle)
			sum[g] += x
			square[g] += x * x
			n[g]++
		}
		if n[0] == 0 || n[1] == 0 {
			return low, high, false
		}
		l, h := sum[0]/n[0], sum[1]/n[1]
		if l == low && h == high {
			break
		}
		low, high = l, h
	}
	within := 0.0
	for g, level := range [2]float64{low, high} {
		within += math.Max(0, square[g]-n[g]*level*level)
	}
	within = math.Sqrt(within / (n[0] + n[1]))
	return low, high, high-low > 4*within
}

package analysis

import "math"

// tailEndsMS are the ends of the times since arrival over which a brake's
// coming to rest is learned, in milliseconds.
var tailEndsMS = [tailBins]float64{8, 10, 12, 15, 18, 22, 27, 33, 40, 49, 60, 73, 89, 109, 133, 162, 198, 241, 295, 359, 439, 535}

const (
	tailBins   = 22
	tailKnown  = 10   // cycles on which a bin must rest to be used
	tailMemory = 500  // … and over which it forgets
	tailOdds   = 4.0  // a mean's square over that of its standard error that chance seldom brings
	tailEager  = 100  // plateaus after each of which it is worked out what to believe; later on …
	tailSeldom = 8    // … after one of so many
	tailLine   = 3    // bins that say how fast a bounce dies down
	tailLeast  = 1e-6 // of the way: less than any probe tells
	tailUneven = 0.3  // variance of a bin's logarithm about that line: it swings
)

// tail is how one brake comes to rest: by what part of its way it's still off
// its level, so and so long after it has arrived there. A bounce that has died
// down to within a reading's noise still pulls the mean of a plateau, always to
// the same side; averaged over cycles it can be seen, and taken off.
type tail struct {
	off    [tailBins]float64 // part of the way, as averaged …
	square [tailBins]float64 // … its variance between cycles …
	use    [tailBins]float64 // … and as it is believed
	n      [tailBins]float64 // cycles it rests on
	seen   int               // plateaus that taught it
}

// bin is the one for a time since arrival, looked for from bin k on; tailBins
// where all is over.
func (*tail) bin(ms float64, k int) int {
	for k < tailBins && ms >= tailEndsMS[k] {
		k++
	}
	return k
}

// learn folds in one cycle's deviation from the level, as a part of the way.
func (l *tail) learn(k int, off float64) {
	if l.n[k] < tailMemory {
		l.n[k]++
	}
	n := l.n[k]
	d := off - l.off[k]
	l.off[k] += d / n
	l.square[k] += (d*d*(1-1/n) - l.square[k]) / n
}

// believe works out what is to be taken off.
//
// A bounce dies down by the same part in equal times: a line through the
// logarithms of the bins that chance alone wouldn't make says how fast. What a
// bin has averaged to is believed as far as it stands out of its own standard
// error from there (the positive part of a James–Stein estimate, from memory).
// Where two bins on end show nothing, the bounce is over but for what the line
// says: what later ones seem to show is chance as well, and would pull every
// cycle's level the same way. step is the readings' own, as a part of the way.
func (l *tail) believe(step float64) {
	if l.seen++; l.seen > tailEager && l.seen%tailSeldom != 0 {
		return
	}
	least2 := max(step*step/12, tailLeast*tailLeast)
	var w, t, y, tt, ty, bins, last float64
	quiet, over := 0, tailBins
	for k := range l.use {
		if l.n[k] < tailKnown {
			continue
		}
		off2, error2 := l.off[k]*l.off[k], l.error2(k, least2)
		if off2 <= tailOdds*error2 {
			if quiet++; quiet > 1 {
				over = k
				break
			}
			continue
		}
		quiet, last = 0, l.off[k]
		weight := 1 / (tailUneven + error2/off2)
		ms, log := tailMiddleMS(k), 0.5*math.Log(off2)
		bins++
		w += weight
		t += weight * ms
		y += weight * log
		tt += weight * ms * ms
		ty += weight * ms * log
	}
	slope, det := 0.0, w*tt-t*t
	if bins >= tailLine && det > 0 {
		slope = (w*ty - t*y) / det
	}
	// The bins that say nothing by themselves say together how right the line
	// is there.
	agree, all := 1.0, 1.0
	for k := range l.use {
		l.use[k] = 0
		if l.n[k] < tailKnown || slope >= 0 {
			continue
		}
		l.use[k] = math.Copysign(math.Exp((y+slope*(w*tailMiddleMS(k)-t))/w), last)
		if error2 := l.error2(k, least2); k >= over || l.off[k]*l.off[k] <= tailOdds*error2 {
			agree += l.off[k] * l.use[k] / error2
			all += l.use[k] * l.use[k] / error2
		}
	}
	right := math.Max(0, agree/all)
	for k := range l.use {
		if l.n[k] < tailKnown {
			continue
		}
		l.use[k] *= right
		error2 := l.error2(k, least2)
		if more := l.off[k] - l.use[k]; k < over && more*more > error2 {
			l.use[k] += more * (1 - error2/(more*more))
		}
	}
}

// error2 is the square of the standard error of what a bin has averaged to. Where
// a probe's steps hide its noise, cycles may agree to the last digit: the variance
// between them is then no less than least2.
func (l *tail) error2(k int, least2 float64) float64 {
	return max(l.square[k], least2) / (l.n[k] - 1)
}

// tailMiddleMS is the middle of a bin's time.
func tailMiddleMS(k int) float64 {
	if k == 0 {
		return tailEndsMS[0] / 2
	}
	return (tailEndsMS[k-1] + tailEndsMS[k]) / 2
}

// at is the deviation to be expected, as a part of the way.
func (l *tail) at(k int) (off float64, known bool) {
	if k >= tailBins {
		return 0, true
	}
	return l.use[k], l.n[k] >= tailKnown
}

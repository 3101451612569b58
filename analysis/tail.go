package analysis

// tailEndsMS are the ends of the times since arrival over which a brake's
// coming to rest is learned, in milliseconds.
var tailEndsMS = [tailBins]float64{8, 10, 12, 15, 18, 22, 27, 33, 40, 49, 60, 73, 89, 109, 133, 162, 198, 241, 295, 359, 439, 535}

const (
	tailBins   = 22
	tailKnown  = 10  // cycles on which a bin must rest to be used
	tailMemory = 500 // … and over which it forgets
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
//
// What it has averaged to is believed as far as it stands out of its own
// standard error (the positive part of a James–Stein estimate, from memory):
// long after the arrival nothing is left of the bounce, and the noise of an
// average must not pull every cycle's level the same way.
func (l *tail) learn(k int, off float64) {
	if l.n[k] < tailMemory {
		l.n[k]++
	}
	n := l.n[k]
	d := off - l.off[k]
	l.off[k] += d / n
	l.square[k] += (d*d*(1-1/n) - l.square[k]) / n
	l.use[k] = 0
	if l.n[k] < tailKnown {
		return
	}
	error2 := l.square[k] / (n - 1)
	if off2 := l.off[k] * l.off[k]; off2 > error2 {
		l.use[k] = l.off[k] * (1 - error2/off2)
	}
}

// at is the deviation to be expected, as a part of the way.
func (l *tail) at(k int) (off float64, known bool) {
	if k >= tailBins {
		return 0, true
	}
	return l.use[k], l.n[k] >= tailKnown
}

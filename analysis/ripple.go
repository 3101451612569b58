package analysis

import "math"

// ripple is the vibration that one brake's probe shows while the motor runs:
// a sine whose frequency stays for long and whose phase is new in each cycle.
// A plateau's mean doesn't average it out where few periods fit in; fitted
// beside the level it does no harm.
type ripple struct {
	hz     float64 // 0 while none is known
	weight float64 // what the frequency rests on
	power  float64 // half the amplitude's square, mm², learned
	n      float64 // cycles that power rests on
	worth  float64 // its power over the variance of its own estimate, 1 where there is none, learned

	missed noise // how readings scatter where its speed wasn't found

	looks    int                  // plateaus seen
	spectrum [rippleBins]spectral // power over that of white noise, summed over plateaus
}

// spectral is one frequency of a spectrum.
type spectral struct {
	excess float32 // what a plateau of white noise adds has mean 0 and standard deviation 1
	n      float32
}

const (
	rippleBins   = 60  // frequencies up to 30 Hz; vibration above averages out by itself
	rippleBinHz  = 0.5 //
	rippleLeast  = 3.0 // Hz; no motor turns slower, and slow noise isn't its ripple
	rippleMinN   = 10  // readings in which a ripple is looked for …
	rippleMostN  = 128 // … at most
	rippleSpanS  = 1.3 // seconds over which neighbouring frequencies can just be told apart
	rippleLooks  = 100 // plateaus in which it is looked for at first, and from then on …
	rippleSeldom = 64  // … in one of so many, while none is known
	rippleWorth  = 1.5 // less and it isn't fitted
	rippleMemory = 30  // cycles over which its power is forgotten
	rippleMissed = 0.9 // of its usual power: less, and its speed may have been another
	rippleFound  = 0.5 // of its usual power: less, and its speed wasn't found
	rippleTurns  = 3.5 // in which a speed is looked for that is another than usual
	rippleBetter = 8.0 // readings' variances that another speed must take out more
)

// wave is a sine fitted beside a level.
type wave struct {
	level float64
	a, b  float64 // cosine's and sine's amplitude
	hz    float64
	info  float64 // variance of a reading over that of the level: the readings that it is worth
	bend  float64 // by how much the frequency should be higher, Hz
	ok    bool

	cc, cs, ss float64 // normal equations of its amplitudes, the level eliminated
}

// power is half the square of the amplitude.
func (w *wave) power() float64 { return (w.a*w.a + w.b*w.b) / 2 }

// takes is how much of the variance of a weighted sum of white readings the
// sine takes out of it when it is fitted, in variances of a reading. The sum
// gives c and s of cosine and sine, and nothing of a level.
func (w *wave) takes(c, s float64) float64 {
	if !w.ok {
		return 0
	}
	return (c*c*w.ss - 2*c*s*w.cs + s*s*w.cc) / (w.cc*w.ss - w.cs*w.cs)
}

// waveSums are the sums over readings that a fit needs.
type waveSums struct{ n, c, s, cc, cs, ss, x, xc, xs, t float64 }

func (a *waveSums) add(b *waveSums) {
	a.n, a.c, a.s, a.cc, a.cs, a.ss = a.n+b.n, a.c+b.c, a.s+b.s, a.cc+b.cc, a.cs+b.cs, a.ss+b.ss
	a.x, a.xc, a.xs, a.t = a.x+b.x, a.xc+b.xc, a.xs+b.xs, a.t+b.t
}

// gather sums readings x at times at (seconds), the first running of them with
// the motor on.
func (a *waveSums) gather(at, x []float64, omega float64) {
	for i, t := range at {
		s, c := math.Sincos(omega * t)
		a.n++
		a.c += c
		a.s += s
		a.cc += c * c
		a.cs += c * s
		a.ss += s * s
		a.x += x[i]
		a.xc += x[i] * c
		a.xs += x[i] * s
		a.t += t
	}
}

// fit is the level and the sine of frequency hz in readings x at times at
// (seconds), of which the first running were taken with the motor on. The
// sine's amplitudes are drawn towards zero as far as variance and power, that
// of a reading and the ripple's own, say: in a short plateau level and sine
// can't be told apart.
func fitWave(at, x []float64, running int, hz, variance, power float64) wave {
	omega := 2 * math.Pi * hz
	var halves [2]waveSums
	halves[0].gather(at[:running/2], x[:running/2], omega)
	halves[1].gather(at[running/2:running], x[running/2:running], omega)
	sum := halves[0]
	sum.add(&halves[1])
	for _, v := range x[running:] {
		sum.n++
		sum.x += v
	}
	ridge := 1e-9
	if power > 0 {
		ridge = variance / power
	}
	cc, ss := sum.cc+ridge, sum.ss+ridge
	det := cc*ss - sum.cs*sum.cs
	if det <= 0 || sum.n == 0 {
		return wave{}
	}
	solve := func(p, q float64) (float64, float64) { return (ss*p - sum.cs*q) / det, (cc*q - sum.cs*p) / det }
	c1, s1 := solve(sum.c, sum.s)
	info := sum.n - sum.c*c1 - sum.s*s1
	if info <= 1e-6*sum.n {
		return wave{}
	}
	w := wave{hz: hz, info: info, ok: true, cc: cc - sum.c*sum.c/sum.n, cs: sum.cs - sum.c*sum.s/sum.n, ss: ss - sum.s*sum.s/sum.n}
	w.level = (sum.x - sum.xc*c1 - sum.xs*s1) / info
	w.a, w.b = solve(sum.xc-w.level*sum.c, sum.xs-w.level*sum.s)

	// A frequency slightly off shows as a phase that goes on from one half to
	// the other.
	var phase, mid [2]float64
	for i := range halves {
		h := &halves[i]
		d := h.cc*h.ss - h.cs*h.cs
		if h.n < 4 || d <= 1e-6*h.n*h.n {
			return w
		}
		p, q := h.xc-w.level*h.c, h.xs-w.level*h.s
		phase[i] = math.Atan2((h.cc*q-h.cs*p)/d, (h.ss*p-h.cs*q)/d)
		mid[i] = h.t / h.n
	}
	turn := math.Remainder(phase[0]-phase[1], 2*math.Pi)
	w.bend = turn / (2 * math.Pi * (mid[1] - mid[0]))
	return w
}

// significant reports whether a fitted sine is more than chance would make of
// white noise in n readings, having looked at so many frequencies.
func (w *wave) significant(n int, variance, frequencies float64) bool {
	return float64(n)*(w.a*w.a+w.b*w.b) > 4*variance*(math.Log(frequencies)+4)
}

// look adds a plateau to the spectrum and takes up its strongest line, should
// it stand out. The phases of different cycles have nothing to do with each
// other; their powers add up all the same, so that even plateaus too short to
// show a ripple show it together.
func (r *ripple) look(at, x []float64, running int) {
	if running < rippleMinN {
		return
	}
	if r.looks++; r.looks > rippleLooks && (r.hz != 0 || r.looks%rippleSeldom != 0) {
		return
	}
	n := 0
	for n < running && n < rippleMostN && at[n]-at[0] < rippleSpanS {
		n++
	}
	var mean, variance float64
	for _, v := range x[:n] {
		mean += v / float64(n)
	}
	for _, v := range x[:n] {
		variance += (v - mean) * (v - mean)
	}
	if variance == 0 {
		return
	}
	span := at[n-1] - at[0]
	best := -1
	for k := range r.spectrum {
		hz := rippleBinHz * float64(k+1)
		if hz*span < 1.5 || hz < rippleLeast {
			continue
		}
		omega := 2 * math.Pi * hz
		var c, s float64
		for i, t := range at[:n] {
			si, co := math.Sincos(omega * t)
			c += (x[i] - mean) * co
			s += (x[i] - mean) * si
		}
		b := &r.spectrum[k]
		b.n++
		b.excess += float32((c*c+s*s)/variance - 1)
		if b.stands() && (best < 0 || b.excess > r.spectrum[best].excess) {
			best = k
		}
	}
	if best < 0 {
		return
	}
	if r.hz != 0 { // another line must be clearly better than the one known
		known := min(max(int(r.hz/rippleBinHz+0.5)-1, 1), rippleBins-2)
		for k := known - 1; k <= known+1; k++ {
			if k == best || r.spectrum[best].excess < r.spectrum[k].excess+8 {
				return
			}
		}
	}
	r.take(at, x, running, rippleBinHz*float64(best+1), variance/float64(n))
}

// stands reports whether a line stands out so far that chance wouldn't do it
// among all of them in years.
func (b *spectral) stands() bool { return float64(b.excess) > 5*math.Sqrt(float64(b.n))+12 }

// take takes up a line of the spectrum.
func (r *ripple) take(at, x []float64, running int, hz, variance float64) {
	w, hz := homeIn(at, x, running, rippleSpanS, hz, variance)
	if !w.ok || hz < rippleLeast {
		return
	}
	r.hz, r.weight, r.power, r.n, r.worth = hz, 0, w.power(), 1, 3*rippleWorth
}

// homeIn finds a sine's frequency more and more closely over longer and longer
// spans, from a first one in seconds and a first guess on. w is the last fit on the way.
func homeIn(at, x []float64, running int, span, guessHz, variance float64) (w wave, hz float64) {
	hz = guessHz
	for n := 0; n < running; span *= 2 {
		for n < running && at[n]-at[0] < span {
			n++
		}
		if w = fitWave(at[:n], x[:n], n, hz, variance, 0); !w.ok {
			break
		}
		if w.significant(n, variance, 1) {
			hz += w.bend
		}
	}
	return w, hz
}

// fit fits level and ripple, following the frequency. variance is that of a
// reading, the ripple apart. Where the ripple must be there and isn't found the
// wave is not ok: at a wrong frequency it would do harm.
func (r *ripple) fit(at, x []float64, running int, variance float64) wave {
	w := fitWave(at, x, running, r.hz, variance, r.power)
	if !w.ok {
		return w
	}
	span := 0.0
	if running > 1 {
		span = at[running-1] - at[0]
	}
	// Another frequency is better where the sine takes that much more out.
	try := func(hz float64) {
		if hz < rippleLeast {
			return
		}
		again := fitWave(at, x, running, hz, variance, r.power)
		if again.ok && float64(running)*(again.power()-w.power()) > rippleBetter*variance {
			w = again
		}
	}
	if w.significant(running, variance, 3) && math.Abs(w.bend)*span > 0.1 { // the phase turned by more than a twentieth of a turn
		try(r.hz + w.bend)
	}
	if w.power() < rippleMissed*r.power && span > rippleSpanS {
		// It turned at another speed than usual, by more than a turn in all.
		_, hz := homeIn(at, x, running, rippleTurns/r.hz, r.hz, variance)
		try(hz)
	}
	if running < 2*rippleMinN || span*r.hz < 2 {
		return w
	}
	power, seen := w.power(), w.significant(running, variance, 3)
	if seen && math.Abs(w.bend)*span < 0.5 {
		precision := float64(running) * span * span
		r.weight = math.Min(r.weight, 20*precision) + precision
		r.hz += (w.hz + w.bend - r.hz) * precision / r.weight
	}
	if power < r.power*rippleFound {
		w.ok = false
	} else {
		r.n = math.Min(r.n+1, rippleMemory)
		r.power += (power - r.power) / r.n
	}
	r.worth += (float64(running)*power/(2*variance) - r.worth) / rippleMemory
	if r.worth < rippleWorth { // it's no longer there, or elsewhere
		*r = ripple{looks: rippleLooks}
	}
	return w
}

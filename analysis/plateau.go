package analysis

import "math"

// meter measures the plateaus and ramps of one brake's travel. It holds what
// it learned of them.
type meter struct {
	stepMM   float64 // quantisation, configured; 0 where unknown
	seenStep float64 // smallest change between neighbours seen, where it isn't
	set      rest    // how readings scatter and come to rest while set …
	free     rest    // … and while released and the motor runs
	ripple   ripple
	drift    drift
	seat     seat
	release  curve // the travel's course after drive-on …
	setting  curve // … and after drive-off
	latest   setPlateau
	opened   level     // the set plateau before the cycle under way
	before   plateaus  // of the latest full cycle
	bumpMM   float64   // by how much the probe was moved last
	arrives  arrives   // … without a drive signal
	short    shortfall // cycles in which the brake freed only in part

	*scratch // lent for the time of a measurement
}

// scratch is memory that the brakes of one pipeline share.
type scratch struct{ buf, res, when []float64 }

// rest is what is learned of one kind of plateau.
type rest struct {
	noise
	tail
}

// saw keeps the smallest step between two readings: the quantisation where
// the site file doesn't tell it.
func (m *meter) saw(differenceMM float64) {
	if m.stepMM > 0 { // it does
		return
	}
	if d := math.Abs(differenceMM); d > 1e-9 && (m.seenStep == 0 || d < m.seenStep) {
		m.seenStep = d
	}
}

func (m *meter) quantum() float64 {
	if m.stepMM > 0 {
		return m.stepMM
	}
	return m.seenStep
}

const (
	spikeSDs  = 5.0 // readings further off than this are left out
	huberK    = 2.5 // beyond this many standard deviations a reading's pull is bounded
	settleSDs = 4.0 // within this of the level a plateau has begun
	roughMost = 64  // readings from which a level is guessed
)

// scale guards a scatter against being zero on readings that don't move by a
// step of the converter.
func (m *meter) scale(sd float64) float64 {
	return max(sd, m.quantum()/2, 1e-7)
}

// guess is median and scatter of the readings lo to hi, from some of them
// where they are many.
func (m *meter) guess(t *trace, lo, hi int) (median, sd float64) {
	m.pick(t, lo, hi, roughMost)
	return medianMADInPlace(m.buf)
}

// middle is the median of the readings lo to hi, from some of them where they
// are many.
func (m *meter) middle(t *trace, lo, hi int) float64 {
	m.pick(t, lo, hi, roughMost/2)
	return medianInPlace(m.buf)
}

// pick copies readings lo to hi, or so many of them, evenly spaced.
func (m *meter) pick(t *trace, lo, hi, most int) {
	m.buf = m.buf[:0]
	for i, every := lo, (hi-lo-1)/most+1; i < hi; i += every {
		m.buf = append(m.buf, t.mm(i))
	}
}

// stretch is where on the trace a plateau lies, and how the brake came there.
type stretch struct {
	start, end    int     // from where it is settled to where it is left
	rough, sd     float64 // first guess of level and scatter
	arrivedNS     int64   // when it arrived, 0 where that wasn't seen
	wayMM         float64 // which way it had come
	guardNS       int64   // what is before may still be its bounce, while that isn't known better
	motorUntilNS  int64   // the motor ran until then
	ripple        *ripple // nil where the motor stands
	arrivedWithin int64   // bracket of the arrival
}

// plateau is the level of a stretch of readings. It is robust: single readings
// far off don't move it. What is left of the bounce and the running motor's
// ripple are taken off.
func (m *meter) plateau(t *trace, s stretch, r *rest) level {
	if s.end-s.start < 1 {
		return level{MM: math.NaN(), U: math.NaN(), From: s.start, To: s.end}
	}
	sd := m.scale(s.sd)
	learned := math.Sqrt(r.cov[0])
	if s.end-s.start < 10 {
		sd = math.Max(sd, learned)
	}
	scatter := sd
	if learned > 0 {
		scatter = m.scale(learned)
	}

	// Gather what can be used, relative to the rough level.
	m.res, m.when = m.res[:0], m.when[:0]
	firstNS := t.at(s.start)
	running, spikes, k := 0, 0, 0
	for i := s.start; i < s.end; i++ {
		x := t.mm(i) - s.rough
		if s.arrivedNS != 0 && k < tailBins {
			k = r.bin(float64(t.at(i)-s.arrivedNS)*1e-6, k)
			off, known := r.at(k)
			switch {
			case !known && t.at(i) < s.guardNS:
				continue
			case known && math.Abs(off*s.wayMM) > scatter && len(m.res) == 0:
				continue // the bounce is still more than noise
			case known:
				x -= off * s.wayMM
			}
		} else if t.at(i) < s.guardNS {
			continue
		}
		if math.Abs(x) > spikeSDs*sd {
			spikes++
			continue
		}
		m.res = append(m.res, x)
		m.when = append(m.when, float64(t.at(i)-firstNS)*1e-9)
		if t.at(i) < s.motorUntilNS {
			running = len(m.res)
		}
	}
	n := len(m.res)
	l := level{N: n, From: s.start, To: s.end, Spike: spikes, MM: math.NaN(), U: math.NaN()}
	if n == 0 {
		return l
	}

	var w wave
	rippling := false // with what must be fitted beside the level
	if s.ripple != nil {
		s.ripple.look(m.when, m.res, running)
		if s.ripple.hz != 0 {
			rippling = true
			variance := r.cov[0]
			if variance == 0 {
				variance = math.Max(sd*sd-s.ripple.power, sd*sd/100)
			}
			w = s.ripple.fit(m.when, m.res, running, variance)
		}
	}
	info, fitted := float64(n), 1
	var taken contrast
	if w.ok {
		info, fitted = w.info, 3
		omega := 2 * math.Pi * w.hz
		for i, at := range m.when[:running] {
			si, co := math.Sincos(omega * at)
			m.res[i] -= w.a*co + w.b*si
			taken.add(i, n, co, si)
		}
	}
	var sum, mid float64
	for i, x := range m.res {
		sum += x
		mid += m.when[i]
	}
	noise := &r.noise
	if rippling && !w.ok {
		noise = &s.ripple.missed
		scatter = m.scale(math.Max(sd, math.Sqrt(noise.cov[0])))
	}
	mu := huber(m.res, sum/float64(n), scatter, huberK)
	l.MM = s.rough + mu
	l.MidNS = firstNS + int64(mid/float64(n)*1e9)
	sum = 0
	for i, x := range m.res {
		x -= mu
		m.res[i] = x
		sum += x * x
	}
	inflation := noise.inflation(n)
	l.SD, l.U = m.scatter(sum, n, fitted, info, noise, inflation*noise.honest())
	turn := 0.0
	if w.ok && n > 1 {
		turn = 2 * math.Pi * w.hz * m.when[n-1] / float64(n-1)
	}
	noise.learnSlow(m.res, inflation, w.takes(taken.of(n)))
	noise.learn(m.res, turn)
	if s.arrivedNS != 0 && s.wayMM != 0 {
		m.learnTail(t, s, &r.tail, &w)
	}
	return l
}

// learnTail has the first half of a plateau teach how the brake comes to rest,
// against the level of its second half. What is known to be left of the bounce
// there is taken off: that rests on longer plateaus.
func (m *meter) learnTail(t *trace, s stretch, l *tail, w *wave) {
	half := s.arrivedNS + (t.at(s.end-1)-s.arrivedNS)/2
	if s.arrivedWithin > (half-s.arrivedNS)/2 {
		return
	}
	omega, far := 2*math.Pi*w.hz, spikeSDs*m.scale(s.sd)
	read := func(i int) (mm float64, ok bool) {
		mm = t.mm(i) - s.rough
		if w.ok && t.at(i) < s.motorUntilNS {
			si, co := math.Sincos(omega * float64(t.at(i)-t.at(s.start)) * 1e-9)
			mm -= w.a*co + w.b*si
		}
		return mm, math.Abs(mm) <= far
	}
	var late, n float64
	middle, _ := t.span(half, half)
	k := 0
	for i := max(middle, s.start); i < s.end; i++ {
		if mm, ok := read(i); ok {
			if k < tailBins {
				k = l.bin(float64(t.at(i)-s.arrivedNS)*1e-6, k)
				off, _ := l.at(k)
				mm -= off * s.wayMM
			}
			late += mm
			n++
		}
	}
	if n < 10 {
		return
	}
	late /= n
	var sum, count float64
	k = 0
	for i := s.start; i < middle; i++ {
		if now := l.bin(float64(t.at(i)-s.arrivedNS)*1e-6, k); now != k {
			if count > 0 {
				l.learn(k, sum/count/s.wayMM)
			}
			sum, count, k = 0, 0, now
		}
		if k >= tailBins {
			break
		}
		if mm, ok := read(i); ok {
			sum += mm - late
			count++
		}
	}
	if count > 0 {
		l.learn(k, sum/count/s.wayMM)
	}
	l.believe(m.quantum() / s.wayMM)
}

// scatter is the standard deviation of a reading and the standard uncertainty
// of a level that is worth info readings. sum is that of n squared residuals
// after fitting so many parameters; inflation is by how much the variance of
// their mean exceeds that of independent ones. What earlier plateaus taught
// counts like thirty readings.
func (m *meter) scatter(sum float64, n, fitted int, info float64, learned *noise, inflation float64) (sd, u float64) {
	const priorReadings = 30
	prior := 0.0
	if learned.weight[0] > 0 {
		prior = priorReadings
	}
	dof := float64(n-fitted) + prior
	q := m.quantum()
	if dof <= 0 {
		return q, math.Max(q, 1e-3) // one reading and no experience: a micrometre at the very best
	}
	variance := (sum + prior*learned.cov[0]) / dof
	sd = math.Sqrt(variance)
	uq := quantisationU(q, sd)
	return sd, math.Sqrt(variance/info*inflation + uq*uq)
}

// settled finds where a plateau begins: looking back from hi to lo, the first
// place before which two readings in a row lie off the level. rough is the
// level's first guess, sd its scatter.
func (m *meter) settled(t *trace, lo, hi int, rough, sd float64) int {
	limit := settleSDs * m.scale(sd)
	for i := hi - 1; i >= lo; i-- {
		if math.Abs(t.mm(i)-rough) > limit && (i == lo || math.Abs(t.mm(i-1)-rough) > limit) {
			return i + 1
		}
	}
	return lo
}

// left finds where a plateau ends: looking forward from lo, the first of two
// readings in a row that lie off the level on the side of dir (−1 below, 0
// either).
func (m *meter) left(t *trace, lo, hi int, rough, sd, dir float64) int {
	limit := settleSDs * m.scale(sd)
	before := false
	for i := lo; i < hi; i++ {
		d := t.mm(i) - rough
		off := d*dir > limit || dir == 0 && math.Abs(d) > limit
		if off && before {
			return i - 1
		}
		before = off
	}
	if before {
		return hi - 1
	}
	return hi
}

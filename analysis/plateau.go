package analysis

import "math"

// meter measures the plateaus and ramps of one brake's travel. It holds what
// it learned of the noise, and scratch memory.
type meter struct {
	stepMM    float64 // quantisation, configured; 0 where unknown
	seenStep  float64 // smallest change between neighbours seen, where it isn't
	set, free noise   // scatter while set, and while the motor runs
	release   curve   // the travel's course after drive-on …
	setting   curve   // … and after drive-off
	buf, res  []float64
}

// saw keeps the smallest step between two readings: the quantisation where
// the site file doesn't tell it.
func (m *meter) saw(differenceMM float64) {
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
)

// scale guards a scatter against being zero on readings that don't move by a
// step of the converter.
func (m *meter) scale(sd float64) float64 {
	return math.Max(sd, math.Max(m.quantum()/2, 1e-7))
}

// plateau is the level of the readings lo to hi of t, which must be settled.
// It is robust: single readings far off don't move it.
func (m *meter) plateau(t *trace, lo, hi int, learned *noise) level {
	n := hi - lo
	if n <= 0 {
		return level{MM: math.NaN(), U: math.NaN(), From: lo, To: hi}
	}
	v := t.mm[lo:hi]
	var median, sd float64
	median, sd, m.buf = medianMAD(v, m.buf)
	sd = m.scale(sd)
	if prior := math.Sqrt(learned.cov[0]); n < 10 {
		sd = math.Max(sd, prior)
	}

	kept := m.buf[:0]
	var midNS float64
	for i, x := range v {
		if math.Abs(x-median) <= spikeSDs*sd {
			kept = append(kept, x)
			midNS += float64(t.atNS[lo+i] - t.atNS[lo])
		}
	}
	l := level{N: len(kept), From: lo, To: hi, Spike: n - len(kept)}
	l.MidNS = t.atNS[lo] + int64(midNS/float64(l.N))
	l.MM = huber(kept, median, sd, huberK)

	m.res = m.res[:0]
	var sum float64
	for _, x := range kept {
		m.res = append(m.res, x-l.MM)
		sum += (x - l.MM) * (x - l.MM)
	}
	learned.learn(m.res)
	l.SD, l.U = m.scatter(sum, l.N, learned)
	return l
}

// scatter is the standard deviation of a reading and the standard uncertainty
// of the mean of n readings whose squared residuals add up to sum. What
// earlier plateaus taught counts like thirty readings.
func (m *meter) scatter(sum float64, n int, learned *noise) (sd, u float64) {
	const priorReadings = 30
	prior := 0.0
	if learned.weights > 0 {
		prior = priorReadings
	}
	dof := float64(n-1) + prior
	q := m.quantum()
	if dof <= 0 {
		return q, math.Max(q, 1e-3) // one reading and no experience: a micrometre at the very best
	}
	variance := (sum + prior*learned.cov[0]) / dof
	cov := [maxLag + 1]float64{variance}
	if learned.weights > 0 && learned.cov[0] > 0 {
		for lag := 1; lag <= maxLag; lag++ {
			cov[lag] = learned.cov[lag] * variance / learned.cov[0]
		}
	}
	sd = math.Sqrt(variance)
	uq := quantisationU(q, sd)
	return sd, math.Sqrt(meanVariance(cov[:], n) + uq*uq)
}

// settled finds where a plateau begins: looking back from hi to lo, the first
// place before which two readings in a row lie off the level. rough is the
// level's first guess, sd its scatter.
func (m *meter) settled(t *trace, lo, hi int, rough, sd float64) int {
	limit := settleSDs * m.scale(sd)
	for i := hi - 1; i >= lo; i-- {
		if math.Abs(t.mm[i]-rough) > limit && (i == lo || math.Abs(t.mm[i-1]-rough) > limit) {
			return i + 1
		}
	}
	return lo
}

// left finds where a plateau ends: looking forward from lo, the first of two
// readings in a row that lie off the level on the side of dir (−1 below).
func (m *meter) left(t *trace, lo, hi int, rough, sd, dir float64) int {
	limit := settleSDs * m.scale(sd)
	for i := lo; i < hi; i++ {
		off := func(k int) bool { return (t.mm[k]-rough)*dir > limit }
		if off(i) && (i+1 >= hi || off(i+1)) {
			return i
		}
	}
	return hi
}

package analysis

import "math"

// cusum is a two-sided tabular CUSUM of standardised values (E. S. Page 1954):
// it accumulates on each side what exceeds the allowance k, and signals beyond
// the decision interval h.
type cusum struct {
	k, h   float64
	score  score
	up, dn float64
	// values since each side last stood at zero: the change began so long ago
	upRun, dnRun int
}

const (
	// wantedRunLength is how many cycles a chart runs on average between two
	// false alarms.
	wantedRunLength = 100_000
	// … and for how many it's designed: a quarter of the alarms is left to what
	// isn't normal, the tails of real readings above all.
	designRunLength = 4 * wantedRunLength / 3
)

// changeScore bounds what a single reading can say: three standard deviations,
// so that two readings alone never make a step of the gap, and beyond five,
// where a bad reading is likelier than a change, hardly more than the
// allowance. Four of those in a row signal all the same.
func changeScore(k float64) score { return score{bound: 3, gross: 5, doubt: k + 1} }

// newCUSUM is the chart that is best at steps of shift standard deviations (its
// allowance is half of that) and runs for want values between two false alarms.
func newCUSUM(shift, want float64) cusum {
	k := shift / 2
	c := cusum{k: k, score: changeScore(k)}
	c.h = decisionInterval(k, want, c.score)
	return c
}

// add takes the next value. It returns +1 or −1 where the mean has moved up or
// down, and over how many values.
func (c *cusum) add(z float64) (side, run int) {
	z = c.score.of(z)
	if c.up = math.Max(0, c.up+z-c.k); c.up > 0 {
		c.upRun++
	} else {
		c.upRun = 0
	}
	if c.dn = math.Max(0, c.dn-z-c.k); c.dn > 0 {
		c.dnRun++
	} else {
		c.dnRun = 0
	}
	switch {
	case c.up > c.h:
		side, run = 1, c.upRun
	case c.dn > c.h:
		side, run = -1, c.dnRun
	default:
		return 0, 0
	}
	c.reset()
	return side, run
}

func (c *cusum) reset() { c.up, c.dn, c.upRun, c.dnRun = 0, 0, 0, 0 }

// scale learns the standard deviation of values that are known up to it. The
// zero value knows nothing.
type scale struct {
	variance float64
	dof      float64 // values that it rests on
	beyond   bool    // the latest was too far off to teach
}

const scaleMemory = 3000 // values

// standardised is d in standard deviations, corrected for how little is known
// of them: Wallace's normal value of Student's t (D. L. Wallace, Annals of
// Mathematical Statistics 30, 1959).
func (s *scale) standardised(d, variance float64) float64 {
	t := d / math.Sqrt(variance)
	if s.dof > 500 {
		return t
	}
	n := math.Max(s.dof, 1)
	z := (8*n + 1) / (8*n + 3) * math.Sqrt(n*math.Log1p(t*t/n))
	return math.Copysign(z, t)
}

// inARow is d in standard deviations as a chart takes it. Values in a row share
// the error of what is known of them, so that it isn't enough that each by itself
// be judged as Student's t: their sum has to be, and that as far out as the chart's
// alarms lie. The quantile of t is the inverse of Wallace's normal value.
func (s *scale) inARow(d, variance float64) float64 {
	const alarm = 4.265 // beyond it lies one of 100,000 normal values
	n := math.Max(s.dof, 1)
	z := alarm * (8*n + 3) / (8*n + 1)
	t := math.Sqrt(n * math.Expm1(z*z/n))
	return d / math.Sqrt(variance) * alarm / t
}

// learn takes a squared deviation in units of the variance believed so far.
// What lies beyond five standard deviations is a bad reading and teaches nothing;
// while the scale is hardly known, or where one follows the other, it may be the
// scale that is wrong, and teaches as if its square were five.
func (s *scale) learn(z2 float64) {
	const (
		most   = 25.0
		hardly = 30 // values
	)
	again := s.beyond
	if s.beyond = z2 > most; s.beyond {
		if s.dof > hardly && !again {
			return
		}
		z2 = most / 5
	}
	s.dof = math.Min(s.dof+1, scaleMemory)
	s.variance *= 1 + (z2-1)/s.dof
}

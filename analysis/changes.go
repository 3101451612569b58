package analysis

import "math"

// ChangeKind is what a sudden or creeping change was taken for.
type ChangeKind uint8

// The changes that are told apart.
const (
	NoChange     ChangeKind = iota
	ProbeMoved              // both levels moved together: the probe was bumped, the gap is what it was
	Adjusted                // the gap fell, as it does when somebody adjusts the brake
	NewLining               // … and the lining runs in since: it is new
	GapRose                 // the gap grew at once: a cracked or lost lining, a loosened ring
	GapFell                 // the gap fell by less, or by something else, than an adjustment
	ReleaseSlows            // the release time has grown beyond what the gap explains
	SetSlows                // the set time has
)

var changeNames = [...]string{"", "probe-moved", "adjusted", "new-lining", "gap-rose", "gap-fell", "release-slows", "set-slows"}

func (k ChangeKind) String() string { return changeNames[k] }

// Change is something that happened to a brake between its cycles.
type Change struct {
	Kind ChangeKind
	AtNS int64   // of the cycle in which it was found
	MM   float64 // by how much gap or probe moved; NaN for times
	S    float64 // by how much a time grew, seconds; NaN for lengths
}

// changes watches for what happens to a brake between its cycles, but for the
// gap itself, which [wear] watches.
type changes struct {
	latest  Change
	told    bool // the ledger says what it was
	level   levelChart
	release timeChart
	setTime timeChart
	// A moved probe is told when it's clear that the gap didn't move with it.
	moved     float64
	movedNS   int64
	wait      int // cycles to go
	sinceStep int // cycles since the gap stepped
}

const togetherCycles = 8 // changes of gap and level closer than this are one

func newChanges(c *Charts) changes {
	return changes{latest: Change{MM: NoValue(), S: NoValue()}, sinceStep: togetherCycles + 1,
		level: levelChart{steps: c.whole.cusum}, release: newTimeChart(c.creep), setTime: newTimeChart(c.creep)}
}

// add looks at a cycle. stepMM is by how much the gap has stepped with it.
func (w *changes) add(c Cycle, gapMM, stepMM float64, s *Settings) {
	w.sinceStep++
	if stepMM != 0 {
		w.sinceStep, w.wait, w.told = 0, 0, false
		w.latest = Change{Kind: kindOfStep(stepMM, s), AtNS: c.AtNS, MM: stepMM, S: NoValue()}
	}
	moved := w.level.add(c.SetLevelMM, c.AtNS)
	if moved != 0 && w.sinceStep > togetherCycles {
		w.moved, w.movedNS, w.wait = moved, c.AtNS, togetherCycles
	}
	if w.wait > 0 {
		if w.wait--; w.wait == 0 {
			w.latest = Change{Kind: ProbeMoved, AtNS: w.movedNS, MM: w.moved, S: NoValue()}
		}
	}
	if grown := w.release.add(c.ReleaseS, gapMM); grown != 0 {
		w.latest = Change{Kind: ReleaseSlows, AtNS: c.AtNS, MM: NoValue(), S: grown}
	}
	if grown := w.setTime.add(c.SetS, gapMM); grown != 0 {
		w.latest = Change{Kind: SetSlows, AtNS: c.AtNS, MM: NoValue(), S: grown}
	}
}

// relined takes the latest adjustment for a new lining.
func (w *changes) relined() {
	if w.latest.Kind == Adjusted && !w.told {
		w.latest.Kind = NewLining
	}
}

// kindOfStep is what a step of the gap is taken for. An adjustment takes off
// what the adjuster can, or where that isn't known a good part of the way.
func kindOfStep(stepMM float64, s *Settings) ChangeKind {
	if stepMM > 0 {
		return GapRose
	}
	by, unit := -stepMM, s.Adjuster.stepMM()
	if unit > 0 && by >= 0.7*unit || by >= 0.15*(s.Limits.AdjustMM-s.Limits.TargetMM) {
		return Adjusted
	}
	return GapFell
}

// stepMM is what the smallest step of the adjuster takes off the gap; 0 where
// that isn't known.
func (a Adjuster) stepMM() float64 {
	switch {
	case a.Ring != nil && a.Ring.Holes > 0:
		return a.Ring.PitchMM / float64(a.Ring.Holes)
	case a.Shims != nil:
		return float64(a.Shims.Packs) * a.Shims.ThicknessMM
	case a.Screw != nil:
		return a.Screw.PitchMM * a.Screw.Turn
	}
	return 0
}

// levelChart watches the set level for a probe that was moved. The level
// wanders by itself, by the more the longer nobody looks: changes over short
// and over long rests have scatters of their own.
type levelChart struct {
	mm     float64
	atNS   int64
	n      int
	short  scale
	long   scale
	steps  cusum
	before [togetherCycles]float64 // ring of the latest levels
}

const (
	longRestNS   = int64(20 * 60e9)
	leastMovedMM = 0.03 // a smaller move of the set level is its own wandering
	levelMemory  = 8    // cycles over which the level is followed
)

// add takes a set level and returns by how much the probe was moved, or 0.
func (l *levelChart) add(mm float64, atNS int64) (movedMM float64) {
	if !Has(mm) {
		return 0
	}
	rest := atNS - l.atNS
	l.atNS = atNS
	l.before[l.n%len(l.before)] = mm
	if l.n++; l.n == 1 {
		const first = 0.01 * 0.01
		l.mm, l.short, l.long = mm, scale{variance: first, dof: 4}, scale{variance: first, dof: 4}
		return 0
	}
	one := &l.short
	if rest > longRestNS {
		one = &l.long
	}
	d := mm - l.mm
	z := one.standardised(d, one.variance)
	side, run := l.steps.add(one.inARow(d, one.variance))
	if side != 0 {
		run = min(run, len(l.before), l.n-1)
		var buf [togetherCycles]float64
		for i := range run {
			buf[i] = l.before[(l.n-1-i)%len(l.before)]
		}
		now := medianInPlace(buf[:run])
		step := now - l.mm
		l.mm = now
		if math.Abs(step) >= leastMovedMM {
			return step
		}
		return 0
	}
	one.learn(d * d / one.variance)
	if math.Abs(z) <= rejectedSDs {
		l.mm += d / math.Min(float64(l.n), levelMemory)
	}
	return 0
}

// timeChart watches a release or set time for growth beyond what the gap
// explains: a wide gap takes longer. What is usual for the brake is learned
// from its first cycles and then held, or creeping would become usual.
type timeChart struct {
	n           float64
	usual, perG float64 // time at gap0, and its growth with the relative gap
	gap0        float64
	uu, up, pp  float64 // covariance of usual and perG
	noise       scale
	steps       cusum
	above       float64 // smoothed excess
}

const (
	usualCycles = 300  // from which the usual time is learned
	slowerPart  = 0.10 // growth of less than this part isn't spoken of
)

func newTimeChart(c cusum) timeChart { return timeChart{steps: c} }

// add takes a time at a gap and returns by how many seconds it has grown beyond
// the usual, or 0.
func (t *timeChart) add(s, gapMM float64) (grownS float64) {
	if !Has(s) || !Has(gapMM) || !(gapMM > 0) {
		return 0
	}
	if t.n == 0 {
		t.gap0, t.usual, t.perG = gapMM, s, 0.4*s
		t.uu, t.pp = math.Pow(0.1*s+1e-4, 2), math.Pow(0.3*s, 2)
		t.noise = scale{variance: math.Pow(0.03*s+1e-4, 2), dof: 4}
	}
	t.n++
	x := gapMM/t.gap0 - 1
	d := s - t.usual - t.perG*x
	known := t.uu + 2*x*t.up + x*x*t.pp
	if t.n <= usualCycles {
		v := known + t.noise.variance
		if z2 := d * d / v; z2 < rejectedSDs*rejectedSDs || t.n < 10 {
			ku, kp := (t.uu+x*t.up)/v, (t.up+x*t.pp)/v
			t.usual += ku * d
			t.perG += kp * d
			hu, hp := t.uu+x*t.up, t.up+x*t.pp
			t.uu -= ku * hu
			t.up -= ku * hp
			t.pp -= kp * hp
		}
		t.noise.learn(d * d / v)
		return 0
	}
	// What isn't known of the usual time is granted.
	over := math.Copysign(math.Max(0, math.Abs(d)-2*math.Sqrt(known)), d)
	t.above += (d - t.above) / smoothOver
	t.noise.learn((d - t.above) * (d - t.above) / t.noise.variance)
	side, _ := t.steps.add(t.noise.inARow(over, t.noise.variance))
	if side > 0 && t.above > slowerPart*t.usual {
		return t.above
	}
	return 0
}

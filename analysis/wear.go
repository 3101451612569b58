package analysis

import "math"

// wear follows the underlying gap of one brake over its cycles. A robust
// Kalman filter of gap and wear per cycle takes each measured gap as it comes,
// says by how much it surprises, and tells sudden changes. What it lets pass
// goes on, in blocks, to a bank of slower filters that differ in what they
// believe of the wear itself: from them comes the forecast. All lengths are
// mm, work is counted in cycles.
type wear struct {
	set           bool
	gap, rate     float64
	p11, p12, p22 float64 // covariance of gap and rate
	noise         scale   // of a gap's error, as a multiple of its stated uncertainty
	stated        float64 // mean square of the stated uncertainties
	way           float64 // from the target to the adjusting limit
	least         float64 // smallest rate worth speaking of: the way in 200,000 cycles
	kappa         float64 // variance that wear adds, per mm of it
	seen          int64   // gaps of this level
	total         int64   // gaps ever
	work          int64   // cycles ever
	at            int64   // work at the latest gap
	steps         gapChart
	neighbours    neighbours
	renewed       EntryKind // work was done: the next gap is where it begins anew; empty: none was

	recent [recentGaps]reading // ring of the latest gaps, by total
	held   int                 // of them not yet passed on
	block  block
	bank   *bank
}

// reading is a measured gap on its way into the bank.
type reading struct {
	mm       float64
	stated   float64 // variance that it states …
	variance float64 // … and that is believed of it
	work     int64
	pass     bool    // not an outlier
	z        float64 // standardised innovation; NaN where it begins anew
}

const (
	recentGaps = 32 // kept
	heldGaps   = 6  // not passed on before it is clear that they aren't the beginning of a change
	fewGaps    = 8  // so few gaps tell nothing of their scatter, and no change
	warmGaps   = 24 // after which the scatter is known well enough to fill the bank

	blockPart = 150  // a block is this part of the history …
	mostBlock = 1000 // … or so many gaps

	dofOfMAD = 9 // degrees of freedom of the scatter that the first gaps tell

	surelyAfter = 3 // of the gaps of a new level, so many are taken for it

	outlierSDs  = 3.0  // beyond this an innovation's pull is bounded …
	rejectedSDs = 4.0  // … and beyond this it has none
	noGapU      = 0.02 // standard uncertainty, mm, of a gap that comes without one, until its scatter has been seen
	frontWander = 1.0  // how far the followed rate wanders over the whole way, as a part of itself
)

func newWear(l Limits, family *Family, charts *Charts) wear {
	w := wear{way: l.AdjustMM - l.TargetMM, steps: newGapChart(charts)}
	if !(w.way > 0) {
		w.way = 1
	}
	w.least = w.way / 200000
	w.kappa = w.way * 0.03 * 0.03
	w.p22 = w.unknownRate()
	w.bank = newBank(w.way, family)
	return w
}

// share tells the siblings what is known of the brake by now.
func (w *wear) share() {
	if f := w.bank.family; f != nil && w.total >= noiseKnownFrom {
		f.members[w.bank.member].noise = w.noise
	}
	w.bank.share()
}

// unknownRate is the variance of a rate of which nothing is known yet: between no
// wear and the whole way in a few thousand cycles.
func (w *wear) unknownRate() float64 { return math.Pow(w.way/3000, 2) }

func (w *wear) predict(cycles float64) {
	r := math.Max(math.Abs(w.rate), w.least)
	q := frontWander * frontWander * r * r * r / w.way
	w.gap += cycles * w.rate
	w.p11 += 2*cycles*w.p12 + cycles*cycles*w.p22 + cycles*w.kappa*r + q*cycles*cycles*cycles/3
	w.p12 += cycles*w.p22 + q*cycles*cycles/2
	w.p22 += q * cycles
}

// jog counts a cycle that wears without being measured.
func (w *wear) jog() { w.work++ }

// add takes the gap of a full cycle with its standard uncertainty (NaN where
// unknown). It reports the size of a sudden change of the gap, or 0.
func (w *wear) add(gapMM, uMM float64) (stepMM float64) {
	w.work++
	known, dof := uMM*uMM, 2/noiseOff
	if !Has(uMM) || uMM <= 0 {
		if known, dof = w.stated, 3; known == 0 {
			known = noGapU * noGapU
		}
	}
	if w.total == 0 {
		w.stated = known
		w.noise = w.bank.family.noise(w.bank.member, dof)
	}
	w.total++
	w.stated += (known - w.stated) / math.Min(float64(w.total), 200)
	// A cycle that claims much less than the others isn't believed.
	known = math.Max(known, 0.25*w.stated)
	switch {
	case !w.set:
		w.set, w.renewed, w.seen = true, "", 0
		w.begin(gapMM, known)
	case w.renewed != "":
		stepMM = w.renew(gapMM, known)
	case w.seen < surelyAfter:
		w.begin(gapMM, known)
	default:
		stepMM = w.follow(gapMM, known)
	}
	if w.total == warmGaps {
		w.warm()
	}
	if w.total >= warmGaps {
		w.passOn(heldGaps)
	}
	return stepMM
}

// begin takes the median of the first gaps of a level for it: any of them may be
// a bad reading. The gap comes with the variance that it states.
func (w *wear) begin(gapMM, stated float64) {
	w.seen++
	w.remember(reading{gapMM, stated, stated * w.noise.variance, w.work, true, NoValue()})
	n := int(w.seen)
	w.gap, w.p11 = w.level(0, n)
	w.p12, w.at = 0, w.work
	if n < surelyAfter {
		return
	}
	w.agree(0)
	if w.bank.set {
		w.bank.relevel(w.gap, w.p11, float64(w.work), false)
		w.held = 0
	}
}

// agree leaves out what is far from the level among the latest three gaps but so
// many, which it is the median of.
func (w *wear) agree(but int) {
	for i := range surelyAfter {
		r := w.ago(int64(but + i))
		r.pass = math.Abs(r.mm-w.gap) <= rejectedSDs*math.Sqrt(r.variance+w.p11)
	}
}

// level is the median of the latest n gaps but so many, three at most, and its
// variance.
func (w *wear) level(but, n int) (mm, variance float64) {
	var buf [surelyAfter]float64
	for i := range n {
		r := w.ago(int64(but + i))
		buf[i] = r.mm
		variance += r.variance
	}
	if n > 1 {
		variance *= 1.5
	}
	return medianInPlace(buf[:n]), variance / float64(n*n)
}

// follow takes a gap into the filter, unless the chart tells a change with it. It
// returns the size of that, or 0.
func (w *wear) follow(gapMM, stated float64) (stepMM float64) {
	w.predict(float64(w.work - w.at))
	w.at = w.work
	w.seen++

	r := stated * w.noise.variance
	nu, s := gapMM-w.gap, w.p11+r
	z := w.noise.standardised(nu, s)
	side, run := 0, 0
	if w.total > fewGaps {
		scatter := w.noise
		if w.total < warmGaps {
			scatter = w.early()
		}
		side, run = w.steps.add(scatter.inARow(nu, w.p11+stated*scatter.variance), w.neighbours.rho())
	}
	w.remember(reading{gapMM, stated, r, w.work, math.Abs(z) <= rejectedSDs, nu / math.Sqrt(s)})
	if side != 0 {
		return w.stepped(run)
	}
	w.pull(nu, r, z)
	w.noise.learn(nu * nu / s)
	return 0
}

// pull draws the filter to a gap that is nu off, or z standard deviations, and
// whose own variance is r. Huber's bound on the innovation: an outlier pulls like
// one at the bound, a gross one not at all.
func (w *wear) pull(nu, r, z float64) {
	if a := math.Abs(z); a <= rejectedSDs {
		weight := math.Min(1, outlierSDs/math.Max(a, 1e-9))
		// What neighbours share doesn't average out between them.
		all := w.p11 + r + 2*w.neighbours.rho()*r
		k1, k2 := w.p11/all, w.p12/all
		w.gap += k1 * nu * weight
		w.rate += k2 * nu * weight
		w.p22 -= k2 * w.p12
		w.p12 -= k1 * w.p12
		w.p11 -= k1 * w.p11
	}
}

// remember puts a gap into the ring.
func (w *wear) remember(r reading) {
	w.recent[w.total%recentGaps] = r
	w.held++
}

// ago is the gap that so many others have followed.
func (w *wear) ago(n int64) *reading { return &w.recent[(w.total-n)%recentGaps] }

// early is the scatter as far as the first gaps tell it by themselves, or what
// is believed of it where that is more.
func (w *wear) early() scale {
	n := w.total - 3 // the latest gap isn't among those kept yet
	sd := w.scatter(1, n)
	return scale{variance: math.Max(w.noise.variance, sd*sd), dof: dofOfMAD * float64(n) / (warmGaps - 2)}
}

// scatter is the standard deviation of gaps, in what they state, by the latest n
// differences from one on: wear and a wrong first guess of it leave those alone.
// They are of gaps next but one, as neighbours share an error. It is by their
// median, or by their seventieth percentile where that says more than twice as
// much: gaps written coarsely are often equal.
func (w *wear) scatter(from, n int64) float64 {
	var buf [warmGaps]float64
	d := buf[:n]
	for i := range n {
		d[i] = math.Abs(w.ago(from+i).mm-w.ago(from+i+2).mm) / math.Sqrt(2*w.stated)
	}
	const seventieth = 1.0364 // standard normal deviations within which 70 % lie
	sd := madToSD * medianInPlace(d)
	if wide := selectInPlace(d, len(d)*7/10) / seventieth; wide > 2*sd {
		return wide
	}
	return sd
}

// warm takes the scatter from the first gaps, as soon as there are enough, and goes
// over them once more as it would have done had it been known: a bad one among them
// may have passed for scatter.
func (w *wear) warm() {
	sd := w.scatter(0, warmGaps-2)
	v, dof := sd*sd, float64(dofOfMAD)
	// What is stated counts as well, unless it's plainly wrong; and where the gaps
	// are written too coarsely to differ at all.
	if ratio := v / w.noise.variance; sd == 0 || ratio > 0.4 && ratio < 2.5 {
		v = (v*dof + w.noise.variance*w.noise.dof/2) / (dof + w.noise.dof/2)
		dof += w.noise.dof / 2
	}
	for i := range int64(warmGaps) {
		w.ago(i).variance = v * w.ago(i).stated
	}
	w.noise = scale{variance: v, dof: dof}
	n := int(min(w.seen, warmGaps)) - surelyAfter
	if n < 0 {
		return
	}
	w.gap, w.p11 = w.level(n, surelyAfter)
	w.rate, w.p12, w.p22, w.at = 0, 0, w.unknownRate(), w.ago(int64(n)).work
	w.agree(n)
	for i := n - 1; i >= 0; i-- {
		r := w.ago(int64(i))
		w.predict(float64(r.work - w.at))
		w.at = r.work
		nu, s := r.mm-w.gap, w.p11+r.variance
		z := w.noise.standardised(nu, s)
		r.pass, r.z = math.Abs(z) <= rejectedSDs, nu/math.Sqrt(s)
		w.pull(nu, r.variance, z)
	}
	w.steps.reset()
}

// passOn moves gaps that are old enough into the block, and a full block into
// the bank.
func (w *wear) passOn(keep int) {
	for ; w.held > keep; w.held-- {
		r := w.ago(int64(w.held - 1))
		// A step makes neighbours alike, and would make its own chart slower: what
		// they have in common is learned from those in which none was found.
		w.neighbours.learn(r.z, r.work)
		if !r.pass {
			continue
		}
		w.block.add(r, w.neighbours.rho())
		// Blocks grow with the history: so small a part of it loses nothing.
		if w.block.n >= max(1, min(w.total/blockPart, mostBlock)) {
			w.closeBlock()
		}
	}
}

func (w *wear) closeBlock() {
	if w.block.n == 0 {
		return
	}
	w.bank.add(w.block.value())
	w.block = block{}
	w.kappa = w.bank.kappaNow()
}

// stepped starts anew at the level of the latest gaps: the brake was adjusted,
// its lining changed or cracked. The rate is kept.
func (w *wear) stepped(run int) (stepMM float64) {
	// The chart may have begun to count before the change: the latest gaps
	// are the surest.
	n := min(max(run, 1), surelyAfter)
	now, variance := w.level(0, n)
	step := now - w.gap
	// What surely came before the change still counts.
	if w.total > warmGaps {
		doubtful := min(run, w.held)
		w.held -= doubtful
		w.total -= int64(doubtful)
		w.passOn(0)
		w.closeBlock()
		w.total += int64(doubtful)
		w.bank.restart(now, variance, float64(w.work), step < 0)
	}
	w.held = 0
	w.gap, w.p11, w.p12 = now, variance, 0
	w.seen = int64(n)
	w.steps.reset()
	return step
}

// u is the standard uncertainty of the filtered gap, calibration left out.
func (w *wear) u() float64 { return math.Sqrt(w.p11) }

// block gathers gaps that lie close together in work.
type block struct {
	n                 int64
	weight, gap, work float64
	first, last       float64
	rho               float64 // correlation of neighbours
}

func (b *block) add(r *reading, rho float64) {
	if b.n == 0 {
		b.first = float64(r.work)
	}
	b.last = float64(r.work)
	b.n++
	b.rho = rho
	v := 1 / r.variance
	b.weight += v
	b.gap += v * r.mm
	b.work += v * float64(r.work)
}

// value is the gap, its variance, the work at which it stood and over how much
// work it was gathered.
func (b *block) value() (gapMM, variance, work, span float64) {
	return b.gap / b.weight, (1 + 2*b.rho) / b.weight, b.work / b.weight, b.last - b.first
}

package analysis

import "math"

// bounceMS and scatterMS are the contact bounces and the scatters of the
// brake's response that are weighed against each other, in milliseconds. Between
// scatters, which lie half an octave apart, the evidence is interpolated.
var (
	bounceMS  = [...]float64{0, 0.7, 1.5, 2.4, 3.4, 4.5, 5.6, 6.8, 8, 9.2, 10.4, 11.6, 12.8, 14, 15.2, 16.4, 17.6, 18.8, 20, 21.2, 22.5, 24, 26.5}
	scatterMS = [...]float64{0.707, 1, 1.414, 2, 2.828, 4, 5.657, 8, 11.314}
)

// bounce learns for how long a polled drive contact bounces. A contact closes
// at its edge and then, for that long, reads either way: so the old value may
// still be read after the edge, and the middle of the poll bracket comes too
// late by half the bounce on average. Polls further apart than the bounce never
// see it twice. But the travel answers the edge itself: where its answers are
// spread over more than the poll bracket, the rest is bounce (which spreads them
// evenly, like the bracket) or the brake's own scatter (which has a normal
// one's tails). The likelihoods of all combinations are kept, of contacts that
// bounce for as long each time and of those whose bounces differ.
//
// Where the brake's own scatter hides the bracket's shape that tells next to
// nothing, and what is usual of contacts decides: many don't bounce at all, or
// their input's filter hides it.
type bounce struct {
	log  [contacts][len(scatterMS)]float32
	n    float64
	next [len(bounceMS)]float64 // how likely the next edge bounces for so long
}

// contacts is how many kinds of them are weighed: those that always bounce for
// one of bounceMS, and those whose bounces last anything up to every second of
// these, evenly.
const contacts = len(bounceMS) + len(bounceMS)/2

// kindOfContact is one of the kinds: the longest bounce, as an index of bounceMS, and
// whether there are shorter ones.
func kindOfContact(kind int) (longest int, differs bool) {
	if kind < len(bounceMS) {
		return kind, false
	}
	return 2 * (kind - len(bounceMS) + 1), true
}

const (
	bounceKeep   = 0.9997 // what evidence counts for one edge looked at later
	bounceEager  = 3000   // edges that are all looked at; later on …
	bounceSeldom = 16     // … one in so many
	bounceNone   = 0.35   // share of contacts that don't bounce
	bounceUsual  = 8.0    // ms that half of the others don't bounce for
	bounceCounts = 0.7    // part of what an edge says that counts: scatter isn't quite normal, nor bounce quite even
	bounceOut    = 30.0   // no further behind is anything, as a contact may be renewed. There …
	bounceAgain  = 8      // … it is looked at with one edge in so many
	unlikely     = 1e-3   // share of edges that obey no rule …
	anywhereMS   = 200.0  // … and may be answered within so long
)

// learn takes an edge and by how much the travel answered it later than usual,
// in ms, NaN where that isn't known. periodMS is the usual time between polls.
func (b *bounce) learn(e edge, laterMS, periodMS float64) {
	if e.HiNS == e.LoNS || periodMS <= 0 { // told by the device itself
		return
	}
	if b.n++; b.n > bounceEager && int(b.n)%bounceSeldom != 0 {
		return
	}
	it := evidence{laterMS: laterMS, widthMS: e.widthMS()}
	for i, ms := range bounceMS {
		it.seen[i] = ((1-unlikely)*seenSo(ms, it.widthMS, periodMS) + unlikely) * periodMS
	}
	kind, j := b.likeliest()
	likeliest, again := it.log(kind, j), b.looks()%bounceAgain == 0
	for kind := range b.log {
		row := &b.log[kind]
		for j, l := range row {
			if l > -bounceOut+0.01 || again {
				row[j] = bounceKeep*l + it.log(kind, j)
			} else {
				row[j] = l + likeliest // it keeps its distance
			}
		}
	}
	kind, j = b.likeliest()
	top := b.log[kind][j]
	for kind := range b.log {
		for j := range b.log[kind] {
			b.log[kind][j] = max(b.log[kind][j]-top, -bounceOut)
		}
	}
	if b.n <= bounceEager || int(b.n)%(4*bounceSeldom) == 0 {
		b.weigh()
	}
}

// looks is how many edges were looked at, about.
func (b *bounce) looks() int {
	if b.n > bounceEager {
		return bounceEager + int(b.n-bounceEager)/bounceSeldom
	}
	return int(b.n)
}

// likeliest is where the evidence points to: a kind of contact and a scatter.
func (b *bounce) likeliest() (kind, j int) {
	for k := range b.log {
		for l := range b.log[k] {
			if b.log[k][l] > b.log[kind][j] {
				kind, j = k, l
			}
		}
	}
	return kind, j
}

// evidence is what one edge tells.
type evidence struct {
	laterMS, widthMS float64
	seen             [len(bounceMS)]float64 // how likely it is seen so where it bounces for so long
}

// log is the logarithm of how likely the evidence is.
func (it *evidence) log(kind, j int) float32 {
	last, differs := kindOfContact(kind)
	if !differs {
		return float32(math.Log(it.of(last, 0, j)))
	}
	// Usual is what follows half of the mean bounce.
	var sum float64
	for i := 0; i <= last; i += 2 {
		sum += stands(i, last, 2) * it.of(i, bounceMS[last]/4-bounceMS[i]/2, j)
	}
	return float32(math.Log(sum / bounceMS[last]))
}

// of is how likely the evidence is where the contact bounced for so long this
// time, and the answer is to be expected so much later than usual.
func (it *evidence) of(i int, expectedMS float64, j int) float64 {
	if !Has(it.laterMS) {
		return it.seen[i]
	}
	return it.seen[i] * ((1-unlikely)*answered(it.laterMS-expectedMS, bounceMS[i], it.widthMS, scatterMS[j]) + unlikely/anywhereMS)
}

// stands is the time that the i-th bounce stands for among every step-th of those
// up to the last.
func stands(i, last, step int) float64 {
	return (bounceMS[min(i+step, last)] - bounceMS[max(i-step, 0)]) / 2
}

// seenSo is how likely a contact that bounces for so long shows the old value
// last, and the new one first, so far apart. Each poll within the bounce reads
// either way, by half.
func seenSo(bounceMS, widthMS, periodMS float64) float64 {
	if widthMS > 0 { // all old ones came before all new ones
		polls, part := math.Modf(bounceMS / periodMS)
		return ((1-part)*(polls+1) + part*(polls+2)/2) * halves(polls)
	}
	// The polls before the first new one and after the last old one, all read
	// by half: so many, or one more.
	outer, part := math.Modf(math.Max(bounceMS+widthMS, 0) / periodMS)
	return ((1-part)*outer + part*(outer+1)/2) * halves(outer+1)
}

// halves is one half so many times over.
func halves(n float64) float64 { return math.Ldexp(1, -int(n)) }

// answered is the density, per ms, of the travel's answers to edges that were
// seen in a bracket so wide: where the edge may have been, blurred by the brake's
// scatter.
func answered(laterMS, bounceMS, widthMS, scatterMS float64) float64 {
	const far = 4 // erf is 1 but for 2e-8
	scale := 1 / (scatterMS * math.Sqrt2)
	within := func(half float64) float64 { // twice the probability
		from, to := (-half-laterMS)*scale, (half-laterMS)*scale
		switch { // most answers lie far from the ends, or beyond both
		case from > far || to < -far:
			return 0
		case from < -far && to > far:
			return 2
		case from < -far:
			return 1 + math.Erf(to)
		case to > far:
			return 1 - math.Erf(from)
		}
		return math.Erf(to) - math.Erf(from)
	}
	outer := (widthMS + bounceMS) / 2
	switch {
	case outer <= 0: // it doesn't bounce for so long
		return 0
	case bounceMS <= widthMS: // a reading within the bounce: either way, by half
		return (within((widthMS-bounceMS)/2) + within(outer)) / (4 * widthMS)
	}
	return within(outer) / (4 * outer)
}

// weigh works out how likely the next edge bounces for how long.
func (b *bounce) weigh() {
	b.next = [len(bounceMS)]float64{}
	sum := 0.0
	for kind := range b.log {
		p := usual(kind) * likelihood(&b.log[kind])
		sum += p
		last, differs := kindOfContact(kind)
		if !differs {
			b.next[last] += p
			continue
		}
		for i := range last + 1 {
			b.next[i] += p * stands(i, last, 1) / bounceMS[last]
		}
	}
	for i := range b.next {
		b.next[i] /= sum
	}
}

// of is for how long the contact is thought to have bounced at an edge, and the
// standard uncertainty of that, in ms.
func (b *bounce) of(e edge, periodMS float64) (ms, u float64) {
	if e.HiNS == e.LoNS || periodMS <= 0 { // told by the device itself
		return 0, 0
	}
	if b.n == 0 {
		b.weigh() // by what is usual
	}
	var sum, first, second float64
	width := e.widthMS()
	for i, ms := range bounceMS {
		if b.next[i] < 1e-6 {
			continue
		}
		p := b.next[i] * ((1-unlikely)*seenSo(ms, width, periodMS) + unlikely)
		wide := 2 * stands(i, len(bounceMS)-1, 1) // of the two sides that it stands for
		sum += p
		first += p * ms
		second += p * (ms*ms + wide*wide/48)
	}
	ms = first / sum
	return ms, math.Sqrt(math.Max(second/sum-ms*ms, 0))
}

// likelihood sums over the scatters. With many edges their likelihood is narrower
// than they lie apart: about the likeliest one a cubic goes through the logarithms
// of four.
func likelihood(log *[len(scatterMS)]float32) (sum float64) {
	const (
		between = 8.0  // values from one scatter to the next
		nothing = 25.0 // so far behind the likeliest, this bounce is out of the question
	)
	top := 0
	for j, l := range log {
		if l > log[top] {
			top = j
		}
	}
	if log[top] < -nothing {
		return 0
	}
	last := len(log) - 1
	for at := math.Max(float64(top-1), 0); at <= math.Min(float64(top+1), float64(last)); at += 1 / between {
		from := min(max(int(at)-1, 0), last-3)
		x := at - float64(from)
		l0, l1, l2, l3 := float64(log[from]), float64(log[from+1]), float64(log[from+2]), float64(log[from+3])
		l := -l0*(x-1)*(x-2)*(x-3)/6 + l1*x*(x-2)*(x-3)/2 - l2*x*(x-1)*(x-3)/2 + l3*x*(x-1)*(x-2)/6
		sum += math.Exp(bounceCounts * l)
	}
	return sum
}

// usual is how often, as things go, a contact is of a kind: of those that bounce
// at all half are of each sort, and the density falls with the square of the mean
// bounce.
func usual(kind int) float64 {
	last, differs := kindOfContact(kind)
	if last == 0 {
		return bounceNone
	}
	step, half := 1, bounceUsual
	if differs {
		step, half = 2, 2*bounceUsual
	}
	shorter := func(ms float64) float64 { return ms / (ms + half) }
	below, above := 0.0, 1.0
	if last > step {
		below = shorter((bounceMS[last-step] + bounceMS[last]) / 2)
	}
	if last+step < len(bounceMS) {
		above = shorter((bounceMS[last] + bounceMS[last+step]) / 2)
	}
	return (1 - bounceNone) / 2 * (above - below)
}

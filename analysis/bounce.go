package analysis

import (
	"math"
	"slices"
)

// bounceMS and scatterMS are the contact bounces and the scatters of the
// brake's response that are weighed against each other, in milliseconds. Between
// scatters, which lie half an octave apart, the evidence is interpolated.
var (
	bounceMS  = [...]float64{0, 0.7, 1.5, 2.5, 3.5, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23.5, 26.5}
	scatterMS = [...]float64{0.5, 0.707, 1, 1.414, 2, 2.828, 4, 5.657, 8}
)

// bounce learns for how long a polled drive contact bounces. A contact closes
// at its edge and then, for that long, reads either way: so the old value may
// still be read after the edge, and the middle of the poll bracket comes too
// late by half the bounce on average. Polls further apart than the bounce never
// see it twice. But the travel answers the edge itself: where its answers are
// spread over more than the poll bracket, the rest is bounce (which spreads them
// evenly, like the bracket) or the brake's own scatter (which has a normal
// one's tails). The likelihoods of all combinations are kept.
//
// Where the brake's own scatter hides the bracket's shape that tells next to
// nothing, and what is usual of contacts decides: many don't bounce at all, or
// their input's filter hides it.
type bounce struct {
	log [len(bounceMS)][len(scatterMS)]float32
	n   float64
	ms  float64 // the bounce that is to be expected …
	u   float64 // … and its standard deviation
}

const (
	bounceKeep   = 0.999 // what evidence counts for one edge later
	bounceKnown  = 40    // edges before it is used
	bounceEager  = 1000  // edges that are all looked at; later on …
	bounceSeldom = 5     // … one in so many
	bounceNone   = 0.4   // share of contacts that don't bounce
	bounceUsual  = 3.0   // ms that half of the others don't bounce for
	bounceCounts = 0.7   // part of what an edge says that counts: scatter isn't quite normal, nor bounce quite even
	bounceOut    = 100.0 // behind by so much a bounce is no longer looked at until that is forgotten
	unlikely     = 1e-3  // share of edges that obey no rule …
	anywhereMS   = 200.0 // … and may be answered within so long
)

// learn takes an edge and by how much the travel answered it later than usual,
// in ms. periodMS is the usual time between polls.
func (b *bounce) learn(e edge, laterMS, periodMS float64) {
	if e.HiNS == e.LoNS || periodMS <= 0 { // told by the device itself
		return
	}
	if b.n++; b.n > bounceEager && int(b.n)%bounceSeldom != 0 {
		return
	}
	width := float64(e.HiNS-e.oldNS()) * 1e-6 // negative where it was seen to bounce
	says := func(seen, ms, sd float64) float32 {
		l := (1-unlikely)*answered(laterMS, ms, width, sd) + unlikely/anywhereMS
		return float32(math.Log(seen * l))
	}
	seen := func(ms float64) float64 { return ((1-unlikely)*seenSo(ms, width, periodMS) + unlikely) * periodMS }
	i, j := b.likeliest()
	usual, behind := says(seen(bounceMS[i]), bounceMS[i], scatterMS[j]), b.log[i][j]-bounceOut
	for i, ms := range bounceMS {
		row := &b.log[i]
		if slices.Max(row[:]) < behind { // it keeps its distance, but for what is forgotten
			for j := range row {
				row[j] = bounceKeep*row[j] + usual
			}
			continue
		}
		seen := seen(ms)
		for j, sd := range scatterMS {
			row[j] = bounceKeep*row[j] + says(seen, ms, sd)
		}
	}
	i, j = b.likeliest()
	top := b.log[i][j]
	for i := range b.log {
		for j := range b.log[i] {
			b.log[i][j] -= top
		}
	}
	b.weigh()
}

// likeliest is where the evidence points to.
func (b *bounce) likeliest() (i, j int) {
	for k := range b.log {
		for l := range b.log[k] {
			if b.log[k][l] > b.log[i][j] {
				i, j = k, l
			}
		}
	}
	return i, j
}

// seenSo is how likely a contact that bounces for so long shows the old value
// last, and the new one first, so far apart. Each poll within the bounce reads
// either way, by half.
func seenSo(bounceMS, widthMS, periodMS float64) float64 {
	if widthMS > 0 { // all old ones came before all new ones
		polls, part := math.Modf(bounceMS / periodMS)
		return ((1-part)*(polls+1) + part*(polls+2)/2) * math.Exp2(-polls)
	}
	// The polls before the first new one and after the last old one.
	outer := (bounceMS + widthMS) / periodMS
	return math.Max(outer, 0) * math.Exp2(-outer-1)
}

// answered is the density, per ms, of the travel's answers to edges that were
// seen in a bracket so wide: where the edge may have been, blurred by the brake's
// scatter.
func answered(laterMS, bounceMS, widthMS, scatterMS float64) float64 {
	scale := 1 / (scatterMS * math.Sqrt2)
	within := func(half float64) float64 { // twice the probability
		from, to := (-half-laterMS)*scale, (half-laterMS)*scale
		if from > 4 || to < -4 { // next to nothing
			return 0
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

// weigh works out the expected bounce.
func (b *bounce) weigh() {
	if b.n < bounceKnown {
		return
	}
	var sum, first, second float64
	for i, ms := range bounceMS {
		p := usual(i) * likelihood(&b.log[i])
		sum += p
		first += p * ms
		wide := bounceMS[min(i+1, len(bounceMS)-1)] - bounceMS[max(i-1, 0)] // of the two sides that it stands for
		second += p * (ms*ms + wide*wide/48)
	}
	b.ms = first / sum
	b.u = math.Sqrt(math.Max(second/sum-b.ms*b.ms, 0))
}

// likelihood sums over the scatters. With many edges their likelihood is narrower
// than they lie apart: about the likeliest one a cubic goes through the logarithms
// of four.
func likelihood(log *[len(scatterMS)]float32) (sum float64) {
	const (
		between = 8.0  // values from one scatter to the next
		nothing = 60.0 // so far behind the likeliest, this bounce is out of the question
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

// usual is how often, as things go, a contact bounces for about so long: of those
// that bounce at all the density falls with the square of the time.
func usual(i int) float64 {
	shorter := func(ms float64) float64 { return ms / (ms + bounceUsual) }
	if i == 0 {
		return bounceNone
	}
	below, above := 0.0, 1.0
	if i > 1 {
		below = shorter((bounceMS[i-1] + bounceMS[i]) / 2)
	}
	if i+1 < len(bounceMS) {
		above = shorter((bounceMS[i] + bounceMS[i+1]) / 2)
	}
	return (1 - bounceNone) * (above - below)
}

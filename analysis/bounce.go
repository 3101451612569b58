package analysis

import "math"

// bounceMS and scatterMS are the contact bounces and the scatters of the
// brake's response that are weighed against each other, in milliseconds.
var (
	bounceMS  = [...]float64{0, 1, 2, 3.5, 5, 7, 10, 14, 20, 28}
	scatterMS = [...]float64{0.5, 1, 2, 4, 8}
)

// bounce learns for how long a polled drive contact bounces. A contact closes
// at its edge and then, for that long, reads either way: so the old value may
// still be read after the edge, and the middle of the poll bracket comes too
// late by half the bounce on average. Polls further apart than the bounce never
// see it twice. But the travel answers the edge itself: where its answers are
// spread over more than the poll bracket, the rest is bounce (which spreads them
// evenly, like the bracket) or the brake's own scatter (which has a normal
// one's tails). The likelihoods of all combinations are kept.
type bounce struct {
	log [len(bounceMS)][len(scatterMS)]float64
	n   float64
	ms  float64 // the bounce that is to be expected …
	u   float64 // … and its standard deviation
}

const (
	bounceKeep   = 0.999 // what evidence counts for one edge later
	bounceKnown  = 40    // edges before it is used
	bounceEager  = 400   // edges that are all looked at; later on …
	bounceSeldom = 6     // … one in so many
	bounceUsual  = 3.0   // ms; long bounces are rarer
	unlikely     = 1e-3  // share of edges that obey no rule
)

// learn takes an edge and by how much the travel answered it later than usual,
// in ms. periodMS is the usual time between polls.
func (b *bounce) learn(e edge, laterMS, periodMS float64) {
	if e.HiNS == e.LoNS || periodMS <= 0 { // told by the device itself
		return
	}
	width := float64(e.HiNS-e.oldNS()) * 1e-6 // negative where it was seen to bounce
	if b.n++; b.n > bounceEager && int(b.n)%bounceSeldom != 0 {
		return
	}
	for j, sd := range scatterMS {
		scale := 1 / (sd * math.Sqrt2)
		below := func(x float64) float64 { return quickErf((x - laterMS) * scale) } // half of it is the probability
		for i, ms := range bounceMS {
			l := 0.0
			switch {
			case ms <= width: // a reading within the bounce: either way, by half
				inner, outer := (width-ms)/2, (width+ms)/2
				l = (below(inner) - below(-inner) + below(outer) - below(-outer)) / 4
			case ms+width > 0:
				half := (width + ms) / 2
				l = math.Exp2(-ms/periodMS) * (below(half) - below(-half)) / 2
			}
			b.log[i][j] = bounceKeep*b.log[i][j] + math.Log((l+unlikely)/periodMS)
		}
	}
	b.weigh()
}

// weigh works out the expected bounce.
func (b *bounce) weigh() {
	if b.n < bounceKnown {
		return
	}
	best := math.Inf(-1)
	for i := range b.log {
		for _, l := range b.log[i] {
			best = math.Max(best, l+rarity(bounceMS[i]))
		}
	}
	var sum, first, second float64
	for i, ms := range bounceMS {
		for _, l := range b.log[i] {
			p := math.Exp(l + rarity(ms) - best)
			sum += p
			first += p * ms
			second += p * ms * ms
		}
	}
	b.ms = first / sum
	b.u = math.Sqrt(math.Max(second/sum-b.ms*b.ms, 0))
}

// rarity is the logarithm of how often, as things go, a contact bounces for so
// long: the density falls with the square of the time.
func rarity(ms float64) float64 { return -2 * math.Log1p(ms/bounceUsual) }

// quickErf is the error function to 0.0005, which is half of what is granted to
// edges that obey no rule (Abramowitz & Stegun, 7.1.27).
func quickErf(x float64) float64 {
	a := math.Abs(x)
	d := 1 + a*(0.278393+a*(0.230389+a*(0.000972+a*0.078108)))
	d *= d
	return math.Copysign(1-1/(d*d), x)
}

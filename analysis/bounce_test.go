package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// bouncer makes edges of a contact that is polled every periodMS with some jitter
// and bounces for so long, and when a brake answers that scatters by so much.
type bouncer struct {
	rng                           *rand.Rand
	periodMS, bounceMS, scatterMS float64
	varies                        bool    // from edge to edge, evenly from nothing to bounceMS
	meanMS, n                     float64 // of the answers, as the brake's curve follows it
}

// next is an edge as polling brackets it, when it was, and by how much the travel
// answered later than the bracket's middle. The contact is drawn by its definition: after
// the edge each poll reads either way for as long as it bounces.
func (m *bouncer) next() (e edge, atMS, laterMS float64) {
	forMS := m.bounceMS
	if m.varies {
		forMS *= m.rng.Float64()
	}
	at := 10 * m.periodMS * (1 + 0.1*m.rng.Float64())
	var firstNew, lastOld float64
	for k := range 30 {
		poll := m.periodMS * (float64(k) + 0.1*m.rng.Float64())
		on := poll >= at
		if on && poll < at+forMS {
			on = m.rng.IntN(2) == 0
		}
		switch {
		case !on:
			lastOld = poll
		case firstNew == 0:
			firstNew = poll
		}
	}
	e = edge{On: true, LoNS: int64(math.Min(lastOld, firstNew-m.periodMS) * 1e6), HiNS: int64(firstNew * 1e6), OldNS: int64(lastOld * 1e6)}
	return e, at, at + m.scatterMS*m.rng.NormFloat64() - (firstNew+lastOld)/2
}

// teach has a bounce learn from so many edges.
func (m *bouncer) teach(b *bounce, edges int) {
	for range edges {
		e, _, later := m.next()
		m.n = math.Min(m.n+1, curveMemory)
		m.meanMS += (later - m.meanMS) / m.n
		b.learn(e, later-m.meanMS, m.periodMS)
	}
}

// early is by how much the times of so many edges come too early on average, and
// what that is said to be for want of knowledge of the bounce.
func (m *bouncer) early(b *bounce, edges int) (earlyMS, uMS float64) {
	for range edges {
		e, at, _ := m.next()
		e.BounceMS, e.BounceUMS = b.of(e, m.periodMS)
		earlyMS += (at - float64(e.atNS())*1e-6) / float64(edges)
		uMS += e.BounceUMS / 2 / float64(edges)
	}
	return earlyMS, uMS
}

// Whatever the brake's own scatter is, its answers tell a contact that bounces
// from one that doesn't, and a bounce that differs from one that doesn't: what is
// left is an error of less than a twelfth of a poll in every time.
func TestBounceIsToldFromTheBrakesOwnScatter(t *testing.T) {
	for _, c := range []bouncer{
		{periodMS: 20, bounceMS: 0, scatterMS: 3}, {periodMS: 20, bounceMS: 8, scatterMS: 1.2}, {periodMS: 20, bounceMS: 17, scatterMS: 3},
		{periodMS: 50, bounceMS: 0, scatterMS: 6}, {periodMS: 50, bounceMS: 20, scatterMS: 2}, {periodMS: 50, bounceMS: 13, scatterMS: 3},
		{periodMS: 5, bounceMS: 0, scatterMS: 1.2}, {periodMS: 5, bounceMS: 20, scatterMS: 3}, {periodMS: 10, bounceMS: 0, scatterMS: 3},
		{periodMS: 5, bounceMS: 20, scatterMS: 3, varies: true}, {periodMS: 10, bounceMS: 20, scatterMS: 3, varies: true},
		{periodMS: 20, bounceMS: 20, scatterMS: 3, varies: true}, {periodMS: 50, bounceMS: 20, scatterMS: 3, varies: true},
		{periodMS: 5, bounceMS: 10, scatterMS: 1.2, varies: true},
	} {
		var square, stated float64
		const brakes = 6
		for i := range brakes {
			c.rng = rand.New(rand.NewPCG(uint64(i), 9))
			c.n = 0
			var b bounce
			c.teach(&b, 1000)
			early, u := c.early(&b, 4000)
			square += early * early / brakes
			stated += u * u / brakes
		}
		off := math.Sqrt(square)
		t.Logf("polls of %g ms, scatter %g ms, bounce %g ms (varies: %t): off by %.2f ms, said to be %.2f", c.periodMS, c.scatterMS, c.bounceMS, c.varies, off, math.Sqrt(stated))
		if off > c.periodMS/12+0.25 {
			t.Errorf("polls of %g ms, scatter %g ms: a bounce of %g ms (varies: %t) puts edges off by %.2f ms", c.periodMS, c.scatterMS, c.bounceMS, c.varies, off)
		}
	}
}

// A contact that is renewed is learned anew.
func TestBounceIsForgotten(t *testing.T) {
	c := bouncer{rng: rand.New(rand.NewPCG(4, 4)), periodMS: 20, bounceMS: 0, scatterMS: 2}
	var b bounce
	c.teach(&b, 4000)
	if early, u := c.early(&b, 4000); math.Abs(early) > 1 {
		t.Fatalf("a contact that doesn't bounce has its edges put %.1f ± %.1f ms early", early, u)
	}
	c.bounceMS = 15
	c.teach(&b, 4000)
	if early, u := c.early(&b, 4000); math.Abs(early) > 1 {
		t.Errorf("a bounce that has become 15 ms puts edges %.1f ± %.1f ms early", early, u)
	}
}

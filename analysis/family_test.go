package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// What is believed of a brake doesn't change by what its family forgets.
func TestAFamilyKeepsWhatIsLookedAt(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 1))
	f := NewFamily()
	var banks []*bank
	for range 80 {
		k := newBank(1.2, f)
		banks = append(banks, k)
		m := &f.members[k.member]
		if m.told = r.IntN(4) > 0; !m.told {
			continue
		}
		m.known, m.logM, m.logSD, m.likely = true, -10+r.NormFloat64(), 0.3, &runTable{still: r.Float64()}
		for t := range m.likely.run {
			for e := range m.likely.run[t] {
				m.likely.run[t][e] = r.ExpFloat64()
			}
		}
		for d := range m.drift {
			m.drift[d] = 1.0 / nDrift
		}
	}
	var before []priors
	for _, k := range banks {
		before = append(before, k.prior())
	}
	f.spare()
	kept := 0
	for i, k := range banks {
		if f.members[i].likely != nil {
			kept++
		}
		if k.prior() != before[i] {
			t.Errorf("of brake %d something else is believed", i)
		}
	}
	if kept != mostSiblings+1 {
		t.Errorf("%d are kept, want %d", kept, mostSiblings+1)
	}
}

// What a lining shows while it runs in stays with the model's brakes, however long
// before the adjustment that ends it the latest forecast was.
func TestAnAdjustmentTellsTheSiblingsFirst(t *testing.T) {
	f := NewFamily()
	first, second := newBank(1.2, f), newBank(1.2, f)
	before := second.prior()
	gap, work := 1.6, 0.0
	for range 3000 {
		first.add(gap, 1e-6, work, 0)
		work += 5
		gap += 5 * 40e-6 * (1 + 3*math.Exp(-work/1500))
	}
	if second.prior() != before {
		t.Fatal("the siblings know before anything was told")
	}
	first.restart(1.6, 1e-6, work, true)
	if !f.members[first.member].told {
		t.Error("nobody was told how the lining ran in")
	}
	if after := second.prior(); !(after.still < before.still) {
		t.Errorf("a lining that doesn't run in is as likely as before, %.3f and %.3f", math.Exp(after.still), math.Exp(before.still))
	}
}

// How much gaps scatter beyond what they state is shrunk to the siblings' while a
// brake has few of its own: known better after thirty, and hardly changed by
// them after six hundred. One sibling that differs from the others takes their say.
func TestScatterIsTakenFromSiblings(t *testing.T) {
	with := func(noises ...float64) *Family {
		s := limits()
		s.Charts, s.Family = NewCharts(), NewFamily()
		for i, noise := range noises {
			c := newCyclesOf(uint64(1000+i), s)
			c.noise, c.stated = noise, 0.005
			c.run(600)
			c.b.wear.share()
		}
		return s.Family
	}
	off := func(f *Family, cycles int) float64 { // of the logarithm of the variance, in the mean square
		s := limits()
		s.Charts = NewCharts()
		var sum float64
		for seed := range uint64(40) {
			if s.Family = f; f != nil {
				s.Family = f.copied()
			}
			c := newCyclesOf(seed, s)
			c.noise, c.stated = 0.01, 0.005
			c.run(cycles)
			sum += math.Pow(math.Log(c.b.wear.noise.variance/4), 2)
		}
		return math.Sqrt(sum / 40)
	}
	alike := with(0.01, 0.0095, 0.0105, 0.01, 0.01, 0.011, 0.0095, 0.01)
	alone, told := off(nil, 30), off(alike, 30)
	t.Logf("after 30 gaps off by %.3f alone, %.3f with siblings", alone, told)
	if told > 0.7*alone {
		t.Errorf("after 30 gaps off by %.3f with siblings, %.3f alone", told, alone)
	}
	if alone, told := off(nil, 600), off(alike, 600); math.Abs(alone-told) > 0.02 {
		t.Errorf("after 600 gaps off by %.3f with siblings, %.3f alone", told, alone)
	}
	apart := with(0.002, 0.02, 0.005)
	if told := off(apart, 30); told > 1.3*alone {
		t.Errorf("after 30 gaps off by %.3f with siblings that differ, %.3f alone", told, alone)
	}
	if n := alike.noise(-1, 10); math.Abs(n.variance-4) > 0.6 || n.dof < 20 {
		t.Errorf("siblings alike tell a variance of %.2f, known with %.0f degrees of freedom", n.variance, n.dof)
	}
	if n := apart.noise(-1, 10); n.dof > 6 {
		t.Errorf("siblings that differ are taken for known, with %.0f degrees of freedom", n.dof)
	}
	if n := NewFamily().noise(-1, 10); n != (scale{variance: 1, dof: 10}) {
		t.Errorf("without siblings: %+v", n)
	}
}

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

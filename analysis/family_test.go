package analysis

import (
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

package analysis_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"gapward/analysis"
)

// TestScore measures simulated brakes and compares with what the simulator
// knows. How to have the whole table, and other histories, stands with
// [scoring]. Without arguments it takes few cycles and grants chance its part.
func TestScore(t *testing.T) {
	ask := asked(t)
	printHead(os.Stderr)
	cycles, alarms := 0, map[analysis.Condition]int{}
	for i, f := range families() {
		if !strings.Contains(f.name, ask.only) {
			continue
		}
		r := run(t, f, ask.seedOf(i), ask.cycles)
		r.print(os.Stderr)
		for _, problem := range r.problems(f, ask.full) {
			t.Errorf("%s: %s", f.name, problem)
		}
		cycles += r.truths
		for c, n := range r.alarms {
			alarms[c] += n
		}
	}
	total := 0
	for _, c := range analysis.Conditions() {
		if n := alarms[c]; n > 0 {
			t.Logf("%d false alarms of %s", n, c)
			total += n
		}
	}
	t.Logf("%d false alarms of all conditions together in %d cycles", total, cycles)
	// One in 100,000 is wanted. More than so many have a chance of one in a
	// thousand then.
	if most := poissonMost(float64(cycles)/100_000, 1e-3); total > most {
		t.Errorf("%d false alarms in %d cycles; at one in 100,000 it would hardly be more than %d", total, cycles, most)
	}
}

// A damped brake without drive signal that turns a few hundredths of a millimetre
// before it has arrived lies still there for some polls.
func TestATurnIsNoPlateau(t *testing.T) {
	for _, f := range families() {
		if f.name == "anything, no drive" {
			r := score{name: f.name, period: f.poll.period.Seconds(), alarms: map[analysis.Condition]int{}}
			r.measure(t, f.brake(14), 1_400_155, 150)
			if r.gapFromNothing > 0 || r.jog < r.mustJog || r.full < r.mustFull {
				t.Errorf("%d gaps of brakes that never arrived; %d of %d jogs and %d of %d full cycles found", r.gapFromNothing, r.jog, r.mustJog, r.full, r.mustFull)
			}
		}
	}
}

// poissonMost is the number that a Poisson variable exceeds with less than the
// given probability.
func poissonMost(mean, probability float64) int {
	p, n := math.Exp(-mean), 0
	for below := p; 1-below > probability; below += p {
		n++
		p *= mean / float64(n)
	}
	return n
}

// The limits that each family is held to.
const (
	foundClean  = 0.999 // recall and precision …
	foundWorst  = 0.99  // … and on the worst data
	biasPart    = 0.1   // a gap's bias, of its RMSE; a time's, of the poll period
	overOracle  = 1.25  // RMSE of gaps over the oracle's
	coverLeast  = 0.93  // of the truth by ±2u
	coverMost   = 0.97
	overFloor   = 1.08 // RMSE of times over what the polled edge leaves
	uRightLeast = 0.9  // deviation of a time's error from 0 over its u
	uRightMost  = 1.1
)

// problems lists what the family's score falls short of. On few cycles each
// limit is widened by three standard errors, and those of times by a quarter more
// while curve and contact bounce are still being learned.
func (r *score) problems(f family, full bool) (list []string) {
	chance, young := 3.0, 0.25
	if full {
		chance, young = 0, 0
	}
	bad := func(wrong bool, format string, args ...any) {
		if wrong {
			list = append(list, fmt.Sprintf(format, args...))
		}
	}
	found := foundClean
	if f.worst {
		found = foundWorst
	}
	lost := func(of int) float64 { return float64(of)*(1-found) + chance*math.Sqrt(float64(of)*(1-found)) }
	bad(float64(r.truths-r.matched) > lost(r.truths), "recall %.4f, want %g", r.recall(), found)
	bad(float64(r.extra) > lost(r.truths), "precision %.4f, want %g", r.precision(), found)
	bad(float64(r.mustFull-r.full) > lost(r.mustFull), "%d of %d full cycles found full", r.full, r.mustFull)
	bad(float64(r.mustJog-r.jog) > lost(r.mustJog), "%d of %d jogs found jogs", r.jog, r.mustJog)
	bad(r.gapFromNothing > 0, "%d gaps of brakes that never arrived", r.gapFromNothing)
	bad(r.guessedTimes > 0, "%d times without a drive signal", r.guessedTimes)

	g := &r.gap
	// Where an error is common to all cycles of a brake, as that of its growth
	// with temperature is, there are no more independent ones than brakes.
	common := 0.0
	if f.brakes > 1 {
		common = 2 * g.commonSE()
	}
	bad(math.Abs(g.bias()) > biasPart*g.rmse()+chance*g.biasSE()+common, "gap's bias %.3f µm with RMSE %.2f", g.bias(), g.rmse())
	// A probe that reports changes keeps to itself what moves by less, which is
	// stated as if it were a converter's step: too much where noise, or its turn,
	// brings a report about.
	quiet := f.poll.byException()
	bad(!quiet && r.ratio() > overOracle*(1+chance/math.Sqrt(r.fair.n)), "gap's RMSE is %.2f × the oracle's", r.ratio())
	se := chance * math.Sqrt(0.05*0.95/g.n)
	bad(g.cover() < coverLeast-se || !quiet && g.cover() > coverMost+se, "±2u covers %.3f", g.cover())
	bad(r.fair.cover() < coverLeast-se || !quiet && r.fair.cover() > coverMost+se, "±2u covers %.3f of the good cycles", r.fair.cover())

	for _, one := range []struct {
		name string
		*timing
	}{{"release", &r.release}, {"set", &r.set}} {
		if one.n == 0 {
			bad(full && !f.poll.noDrive, "no %s times", one.name)
			continue
		}
		se := chance/math.Sqrt(2*one.n) + young/2
		bad(math.Abs(one.bias()) > (biasPart+young)*r.period+chance*one.biasSE(), "%s time's bias is %.3f T", one.name, one.bias()/r.period)
		bad(!f.poll.byException() && one.zRMS() < uRightLeast-se || one.zRMS() > uRightMost+se, "%s time's error over u scatters by %.3f", one.name, one.zRMS())
		if f.poll.byException() { // no poll blurs the edge
			continue
		}
		bad(one.rel() > overFloor+se, "%s time's RMSE is %.3f × that of the polled edge", one.name, one.rel())
		bad(one.smoothed() > 1+se*math.Sqrt(smoothedOver), "the smoothed %s time's RMSE is %.3f × that of the mean of %d", one.name, one.smoothed(), smoothedOver)
	}
	return list
}

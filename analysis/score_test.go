package analysis_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
)

// TestScore measures simulated brakes and compares with what the simulator
// knows. In full, with a table of all families:
//
//	go test ./analysis -run 'Score$' -v -args full
//
// and with a word after it only those families whose name contains it. Without
// arguments it takes few cycles and bounds that a real regression breaks.
func TestScore(t *testing.T) {
	cycles := 250
	full, only := scoring()
	if full {
		cycles = 3000
	}
	printHead(os.Stderr)
	var total, alarms int
	for i, f := range families() {
		if !strings.Contains(f.name, only) {
			continue
		}
		r := run(t, f, uint64(100+i), cycles)
		r.print(os.Stderr)
		for _, problem := range r.problems(f, full) {
			t.Errorf("%s: %s", f.name, problem)
		}
		total += r.truths
		for _, n := range r.alarms {
			alarms += n
		}
	}
	t.Logf("%d false alarms in %d cycles", alarms, total)
}

// problems lists what the family's score falls short of. Few cycles say little:
// then each bound is widened by three of its standard errors and a bit.
func (r *score) problems(f family, full bool) (list []string) {
	margin, found, biased := 1.25, 0.99, 0.25
	if full {
		margin, found, biased = 1.02, 0.999, 0.1
	}
	if f.worst {
		found = 0.98
		if full {
			found = 0.99
		}
	}
	bad := func(wrong bool, format string, args ...any) {
		if wrong {
			list = append(list, fmt.Sprintf(format, args...))
		}
	}
	bad(r.recall() < found || r.precision() < found, "recall %.4f, precision %.4f, want %g", r.recall(), r.precision(), found)
	bad(float64(r.full) < found*float64(r.mustFull), "%d of %d full cycles found full", r.full, r.mustFull)
	bad(float64(r.jog) < found*float64(r.mustJog), "%d of %d jogs found jogs", r.jog, r.mustJog)
	bad(r.gapFromNothing > 0, "%d gaps of brakes that never arrived", r.gapFromNothing)
	bad(r.guessedTimes > 0, "%d times without a drive signal", r.guessedTimes)
	if !f.poll.temperature { // the error of the growth with temperature is common to all cycles
		bad(math.Abs(r.gap.bias()) > biased*r.gap.rmse()+3*r.gap.biasSE(), "gap's bias %.2f µm with RMSE %.2f", r.gap.bias(), r.gap.rmse())
		bad(r.ratio() > 1.25*margin, "gap's RMSE is %.2f × the oracle's", r.ratio())
		se := 3 * math.Sqrt(0.05*0.95/r.gap.n)
		bad(r.gap.cover() < 0.93-se || r.gap.cover() > 0.97+se, "±2u covers %.3f", r.gap.cover())
	}
	for name, one := range map[string]*timing{"release": &r.release, "set": &r.set} {
		if one.n == 0 {
			bad(!f.poll.noDrive, "no %s times", name)
			continue
		}
		bad(math.Abs(one.bias()) > 0.1*r.period+3*one.biasSE(), "%s time's bias is %.3f T", name, one.bias()/r.period)
		bad(one.rel() > 1.08*margin, "%s time's RMSE is %.3f × that of the polled edge", name, one.rel())
		bad(one.zSD() < 0.9/margin || one.zSD() > 1.1*margin, "%s time's error over u scatters by %.3f", name, one.zSD())
	}
	return list
}

// scoring says whether the whole table is asked for, and of which families.
func scoring() (full bool, only string) { return flag.Arg(0) == "full", flag.Arg(1) }

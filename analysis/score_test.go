package analysis_test

import (
	"flag"
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
		total += r.truths
		for _, n := range r.alarms {
			alarms += n
		}
	}
	t.Logf("%d false alarms in %d cycles", alarms, total)
}

// scoring says whether the whole table is asked for, and of which families.
func scoring() (full bool, only string) { return flag.Arg(0) == "full", flag.Arg(1) }

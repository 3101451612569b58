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
	cycles, only := 250, ""
	full := flag.Arg(0) == "full"
	if full {
		cycles, only = 3000, flag.Arg(1)
	}
	printHead(os.Stderr)
	for i, f := range families() {
		if !strings.Contains(f.name, only) {
			continue
		}
		r := run(t, f, uint64(100+i), cycles)
		r.print(os.Stderr)
	}
}

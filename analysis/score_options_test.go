package analysis_test

import (
	"flag"
	"testing"
)

// scoring is what the scores are asked for on the command line, after -args:
//
//	go test ./analysis -run 'Score$' -v -args full
//	go test ./analysis -run 'Score$' -v -args full -seed 7 ripple
//
// full takes many cycles and holds every family to the very limits. The
// estimators were made looking at seed 0; any other is held out. A word at the
// end scores only the families whose name contains it.
type scoring struct {
	full   bool
	seed   uint64
	cycles int // of each family
	only   string
}

func asked(t *testing.T) scoring {
	t.Helper()
	s := scoring{full: flag.Arg(0) == "full", cycles: 250}
	if !s.full {
		return s
	}
	set := flag.NewFlagSet("full", flag.ContinueOnError)
	set.Uint64Var(&s.seed, "seed", 0, "which random histories")
	set.IntVar(&s.cycles, "cycles", 3000, "cycles of each family")
	if err := set.Parse(flag.Args()[1:]); err != nil {
		t.Fatal(err)
	}
	s.only = set.Arg(0)
	return s
}

// seedOf is the seed of a family's first history.
func (s scoring) seedOf(family int) uint64 { return 100 + uint64(family) + 1000*s.seed }

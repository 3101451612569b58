package analysis

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// full has the scoring programs run over all their histories:
//
//	go test ./analysis -run ForecastScore -v -args -full
var full2000 = flag.Bool("full", false, "score the forecasts on all histories")

// histories is how many that is.
var histories = flag.Int("histories", 2000, "how many histories -full scores")

var stages = [4]float64{0.25, 0.5, 0.75, 0.9}

// stageScore gathers what forecasts at one stage of the way were worth.
type stageScore struct {
	n, inCycles, inDates, dates       int
	low, high, lowDate                int
	own, oracle, line, silent         float64
	widthOwn, widthOracle, oracleHeld float64
}

// pinball is the mean loss of the three quantiles on the logarithm. What isn't
// forecast counts as one to never.
func pinball(q Quantiles, truth, never float64) float64 {
	or := func(v, otherwise float64) float64 {
		if !Has(v) || math.IsInf(v, 0) {
			return otherwise
		}
		return math.Max(v, 1e-3)
	}
	var sum float64
	for i, v := range [3]float64{or(q.P05, 1), or(q.P50, math.Sqrt(never)), or(q.P95, never)} {
		p := [3]float64{0.05, 0.5, 0.95}[i]
		if d := math.Log(truth) - math.Log(v); d >= 0 {
			sum += p * d
		} else {
			sum -= (1 - p) * d
		}
	}
	return sum / 3
}

func holds(q Quantiles, truth float64) bool {
	return !(Has(q.P05) && truth < q.P05) && !(Has(q.P95) && truth > q.P95) && Has(q.P05)
}

// follow runs one life through a record and scores it on the way.
func follow(l *brakeLife, family *Family, charts *Charts, scores *[4]stageScore) {
	b := New(l.settings(family, charts))
	b.forecastAfter = math.MaxInt64
	limit := b.set.Limits.AdjustMM
	out := &Out{}
	stage := 0
	for i, c := range l.cycles {
		b.Recall(c, out)
		b.forecastAfter = math.MaxInt64
		out.Reset()
		if scores == nil || stage == len(stages) || i+1 < l.adjusted+int(stages[stage]*float64(l.crossing-l.adjusted)) {
			continue
		}
		s := &scores[stage]
		stage++
		n := i + 1
		f := b.wear.forecast("adjust", limit, c.AtNS, &b.duty)
		truth := float64(l.crossing - n)
		s.n++
		if holds(f.Cycles, truth) {
			s.inCycles++
		}
		if Has(f.Cycles.P05) && truth < f.Cycles.P05 {
			s.low++
		}
		if Has(f.Cycles.P95) && truth > f.Cycles.P95 {
			s.high++
		}
		if !Has(f.Cycles.P50) {
			s.silent++
		}
		if Has(f.DateNS.P05) {
			s.dates++
			at := float64(l.cycles[l.crossing-1].AtNS)
			if holds(f.DateNS, at) {
				s.inDates++
			}
			if at < f.DateNS.P05 {
				s.lowDate++
			}
		}
		s.own += pinball(f.Cycles, truth, never)
		q := newOracle(l).quantiles(n, limit)
		s.oracle += pinball(q, truth, never)
		if holds(q, truth) {
			s.oracleHeld++
		}
		s.widthOwn += math.Log(f.Cycles.P95 / f.Cycles.P05)
		s.widthOracle += math.Log(q.P95 / q.P05)
		s.line += pinball(straightLine(l, n, limit), truth, never)
	}
	b.wear.bank.share()
}

func (s *stageScore) String() string {
	n := float64(s.n)
	return fmt.Sprintf("held %.1f %% (under %.1f, over %.1f) in cycles, %.1f %% (early %.1f) of %d in dates; loss %.4f = %.3f × oracle, %.3f × line; silent %.1f %%; width %.3f, oracle's %.3f held %.1f %%",
		100*float64(s.inCycles)/n, 100*float64(s.low)/n, 100*float64(s.high)/n, 100*float64(s.inDates)/float64(max(s.dates, 1)), 100*float64(s.lowDate)/float64(max(s.dates, 1)), s.dates,
		s.own/n, s.own/s.oracle, s.own/s.line, 100*s.silent/n, s.widthOwn/n, s.widthOracle/n, 100*s.oracleHeld/n)
}

func report(t *testing.T, what string, scores *[4]stageScore) {
	t.Helper()
	var b strings.Builder
	for i := range scores {
		fmt.Fprintf(&b, "\n  at %2.0f %%: %s", 100*stages[i], &scores[i])
	}
	t.Logf("%s, %d histories:%s", what, scores[0].n, b.String())
}

func TestForecastScoreAlone(t *testing.T) {
	n := 80
	if *full2000 {
		n = *histories
	}
	var scores [4]stageScore
	charts := NewCharts()
	r := rand.New(rand.NewPCG(4, 2))
	for range n {
		follow(drawFleet(r).live(r), nil, charts, &scores)
	}
	report(t, "on its own", &scores)
	judge(t, &scores, [4]float64{1.45, 1.20, 1.10, 1.10})
}

func TestForecastScoreWithSiblings(t *testing.T) {
	fleets, each := 4, 6
	if *full2000 {
		fleets, each = *histories/20, 20
	}
	var scores [4]stageScore
	charts := NewCharts()
	r := rand.New(rand.NewPCG(4, 3))
	for range fleets {
		f := drawFleet(r)
		family := NewFamily()
		for range 8 {
			follow(f.live(r), family, charts, nil)
		}
		for range each {
			follow(f.live(r), family.copied(), charts, &scores)
		}
	}
	report(t, "with eight siblings", &scores)
	judge(t, &scores, [4]float64{1.20, 1.10, 1.10, 1.10})
}

// judge fails where the forecasts are worse than they have been: bands that
// hold too few truths, and losses that exceed the oracle's by more than most.
// A few histories say less, and are granted their chance.
func judge(t *testing.T, scores *[4]stageScore, most [4]float64) {
	t.Helper()
	for i := range scores {
		s := &scores[i]
		n := float64(s.n)
		chance := 3 * math.Sqrt(0.9*0.1/n)
		for what, share := range map[string]float64{"cycles": float64(s.inCycles) / n, "dates": float64(s.inDates) / float64(s.dates)} {
			if share < 0.88-chance || share > 0.97+chance {
				t.Errorf("at %.0f %%: the band in %s held %.1f %%", 100*stages[i], what, 100*share)
			}
		}
		if s.own > most[i]*(1+2.5/math.Sqrt(n))*s.oracle {
			t.Errorf("at %.0f %%: the loss is %.3f × the oracle's, want %.2f at most", 100*stages[i], s.own/s.oracle, most[i])
		}
		if s.own > 0.42*s.line {
			t.Errorf("at %.0f %%: the loss is %.3f × the straight line's, want 0.42 at most", 100*stages[i], s.own/s.line)
		}
	}
}

// copied lets one history after another learn from the same siblings.
func (f *Family) copied() *Family {
	return &Family{members: append([]summary(nil), f.members...)}
}

package analysis

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// full has the scoring programs run over all their histories, and held to what
// is wanted without a chance granted:
//
//	go test ./analysis -run ForecastScore -v -timeout 2h -args -full
//
// -seed takes other histories than those that anybody has looked at.
var full2000 = flag.Bool("full", false, "score the forecasts on all histories")

var (
	histories   = flag.Int("histories", 2000, "how many histories -full scores")
	historySeed = flag.Uint64("seed", 4, "seed of the histories")
)

var stages = [4]float64{0.25, 0.5, 0.75, 0.9}

// stageScore gathers what forecasts at one stage of the way were worth.
type stageScore struct {
	cycles, days lawScore
	silent       int
}

// lawScore is that for cycles or for days to go.
type lawScore struct {
	n, low, high                      int
	own, oracle, line                 float64
	widthOwn, widthOracle, oracleHeld float64
}

// pinball is the mean loss of the three quantiles on the logarithm. What isn't
// forecast counts as one to never, and nothing as less than least.
func pinball(q Quantiles, truth, least, never float64) float64 {
	or := func(v, otherwise float64) float64 {
		if !Has(v) || math.IsInf(v, 0) {
			return otherwise
		}
		return math.Max(v, least)
	}
	var sum float64
	for i, v := range [3]float64{or(q.P05, least), or(q.P50, math.Sqrt(least*never)), or(q.P95, never)} {
		p := [3]float64{0.05, 0.5, 0.95}[i]
		if d := math.Log(math.Max(truth, least)) - math.Log(v); d >= 0 {
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

func (s *lawScore) add(own, oracle, line Quantiles, truth, least, never float64) {
	s.n++
	switch {
	case !Has(own.P05) || truth < own.P05:
		s.low++
	case Has(own.P95) && truth > own.P95:
		s.high++
	}
	s.own += pinball(own, truth, least, never)
	s.oracle += pinball(oracle, truth, least, never)
	s.line += pinball(line, truth, least, never)
	if holds(oracle, truth) {
		s.oracleHeld++
	}
	if Has(own.P95) {
		s.widthOwn += math.Log(own.P95 / math.Max(own.P05, least))
	}
	s.widthOracle += math.Log(oracle.P95 / math.Max(oracle.P05, least))
}

// held is the part of the truths that the band held.
func (s *lawScore) held() float64 { return 1 - float64(s.low+s.high)/float64(s.n) }

func (s *lawScore) String() string {
	n := float64(s.n)
	return fmt.Sprintf("held %.1f %% (early %.1f, late %.1f); loss %.4f = %.3f × oracle, %.3f × line; width %.3f, oracle's %.3f held %.1f %%",
		100*s.held(), 100*float64(s.low)/n, 100*float64(s.high)/n,
		s.own/n, s.own/s.oracle, s.own/s.line, s.widthOwn/n, s.widthOracle/n, 100*s.oracleHeld/n)
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
		if !Has(f.Cycles.P50) {
			s.silent++
		}
		best := newOracle(l, n, limit)
		s.cycles.add(f.Cycles, best.cycles(), straightLine(l, n, limit, byCycle), float64(l.crossing-n), 1, never)
		const hour = 1.0 / 24
		inDays := func(atNS float64) float64 { return (atNS - float64(c.AtNS)) / float64(dayNS) }
		s.days.add(Quantiles{inDays(f.DateNS.P05), inDays(f.DateNS.P50), inDays(f.DateNS.P95)}, best.days(),
			straightLine(l, n, limit, byDay), inDays(float64(l.cycles[l.crossing-1].AtNS)), hour, maxDays)
	}
	b.wear.share()
}

func report(t *testing.T, what string, scores *[4]stageScore) {
	t.Helper()
	var b strings.Builder
	for i := range scores {
		s := &scores[i]
		fmt.Fprintf(&b, "\n  at %2.0f %%, cycles: %s; silent %d", 100*stages[i], &s.cycles, s.silent)
		fmt.Fprintf(&b, "\n            dates: %s", &s.days)
	}
	t.Logf("%s, %d histories:%s", what, scores[0].cycles.n, b.String())
}

func TestForecastScoreAlone(t *testing.T) {
	n := 80
	if *full2000 {
		n = *histories
	}
	var scores [4]stageScore
	charts := NewCharts()
	r := rand.New(rand.NewPCG(*historySeed, 2))
	for range n {
		follow(drawFleet(r).live(r), nil, charts, &scores)
	}
	report(t, "on its own", &scores)
	judge(t, &scores, [4]float64{1.30, 1.20, 1.10, 1.10})
}

func TestForecastScoreWithSiblings(t *testing.T) {
	fleets, each := 4, 6
	if *full2000 {
		fleets, each = *histories/20, 20
	}
	var scores [4]stageScore
	charts := NewCharts()
	r := rand.New(rand.NewPCG(*historySeed, 3))
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
	judge(t, &scores, [4]float64{1.12, 1.20, 1.10, 1.10})
}

// judge fails where the forecasts are worse than is wanted: bands that hold more
// or less than nine truths in ten, and losses that exceed the oracle's by more
// than most. A few histories say little, and are granted their chance.
func judge(t *testing.T, scores *[4]stageScore, most [4]float64) {
	t.Helper()
	for i := range scores {
		for what, s := range map[string]*lawScore{"cycles": &scores[i].cycles, "dates": &scores[i].days} {
			n := float64(s.n)
			var chance, more float64
			if !*full2000 {
				chance, more = 3*math.Sqrt(0.9*0.1/n), 2.5/math.Sqrt(n)
			}
			if share := s.held(); share < 0.87-chance || share > 0.93+chance {
				t.Errorf("at %.0f %%: the band in %s held %.1f %%", 100*stages[i], what, 100*share)
			}
			if s.own > most[i]*(1+more)*s.oracle {
				t.Errorf("at %.0f %%: the loss in %s is %.3f × the oracle's, want %.2f at most", 100*stages[i], what, s.own/s.oracle, most[i])
			}
			if s.own > 0.42*(1+more)*s.line {
				t.Errorf("at %.0f %%: the loss in %s is %.3f × the straight line's, want 0.42 at most", 100*stages[i], what, s.own/s.line)
			}
		}
	}
}

// copied lets one history after another learn from the same siblings.
func (f *Family) copied() *Family {
	return &Family{members: append([]summary(nil), f.members...)}
}

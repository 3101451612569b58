package analysis

import "math"

// gapChart tells steps of the gap by the standardised innovations of the filter
// that follows it: two CUSUMs of the same values, side by side. The one is made
// for a whole step. Where chance holds the first gaps after it back, the filter
// follows the step before that chart is full, and what remains of it is below its
// allowance for good; the other is made for what remains.
type gapChart struct {
	charts      *Charts
	whole, rest cusum
}

const (
	stepSDs = 3.0 // size of the steps that are to be found
	restSDs = 2.0 // … and of what may remain of one
	// restPart of the false alarms that both are designed for may be the second
	// chart's: it is needed once in a thousand steps.
	restPart = 0.1
)

// Charts are the charts that watch for changes, their decision intervals worked
// out. That takes some hundredths of a second: make them once with [NewCharts]
// and give them to all brakes. They don't change, so that goroutines may share
// them.
type Charts struct {
	whole, rest rhoChart
	creep       cusum
}

// rhoChart is a chart whose decision interval goes by what correlates neighbours:
// at is for 0 to ½, evenly.
type rhoChart struct {
	cusum
	at [rhoPoints]float64
}

const rhoPoints = 4

// NewCharts works out the decision intervals of all charts.
func NewCharts() *Charts {
	return &Charts{
		whole: newRhoChart(stepSDs, designRunLength/(1-restPart)),
		rest:  newRhoChart(restSDs, designRunLength/restPart),
		creep: newCUSUM(1, designRunLength),
	}
}

func newRhoChart(shift, want float64) rhoChart {
	c := rhoChart{cusum: newCUSUM(shift, want)}
	c.at[0] = c.h
	// Of the coarser method only what correlation adds is taken.
	chart := runLength{k: c.k, h: c.h, score: c.score}
	plain := chart.intervalFor(0, want)
	for i := 1; i < rhoPoints; i++ {
		c.at[i] = c.h + chart.intervalFor(rhoAt(i), want) - plain
	}
	return c
}

func rhoAt(i int) float64 { return 0.5 * float64(i) / (rhoPoints - 1) }

// interval is the decision interval where neighbours are correlated by rho.
func (c *rhoChart) interval(rho float64) float64 {
	x := math.Max(0, math.Min(rho, 0.5)) * 2 * (rhoPoints - 1)
	i := min(int(x), rhoPoints-2)
	return c.at[i] + (x-float64(i))*(c.at[i+1]-c.at[i])
}

func newGapChart(c *Charts) gapChart {
	return gapChart{charts: c, whole: c.whole.cusum, rest: c.rest.cusum}
}

// add takes the next standardised innovation, where neighbours are correlated by
// rho. It returns +1 or −1 where the gap has stepped up or down, and over how many
// gaps that shows.
func (g *gapChart) add(z, rho float64) (side, run int) {
	g.whole.h, g.rest.h = g.charts.whole.interval(rho), g.charts.rest.interval(rho)
	side, run = g.whole.add(z)
	if s, r := g.rest.add(z); side == 0 {
		side, run = s, r
	}
	if side != 0 {
		g.reset()
	}
	return side, run
}

func (g *gapChart) reset() {
	g.whole.reset()
	g.rest.reset()
}

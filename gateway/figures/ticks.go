package figures

import (
	"math"
	"time"

	"gonum.org/v1/plot"
)

// dateTicks marks whole hours, days, months or years of a time axis in
// seconds since 1970, whichever fit.
type dateTicks struct {
	zone *time.Location
	most int // labels
}

// dateStep is a distance between ticks; of its fields one is set.
type dateStep struct {
	hours, days, months int
	layout              string
}

func dateSteps() []dateStep {
	return []dateStep{
		{hours: 1, layout: "15:04"}, {hours: 3, layout: "15:04"}, {hours: 6, layout: "2 Jan 15:04"}, {hours: 12, layout: "2 Jan 15:04"},
		{days: 1, layout: "2 Jan"}, {days: 2, layout: "2 Jan"}, {days: 7, layout: "2 Jan"}, {days: 14, layout: "2 Jan"},
		{months: 1, layout: "Jan 2006"}, {months: 2, layout: "Jan 2006"}, {months: 3, layout: "Jan 2006"}, {months: 6, layout: "Jan 2006"},
		{months: 12, layout: "2006"}, {months: 24, layout: "2006"}, {months: 60, layout: "2006"}, {months: 120, layout: "2006"},
	}
}

func (s dateStep) seconds() float64 {
	return float64(s.hours)*3600 + float64(s.days)*86400 + float64(s.months)*2629800
}

func (s dateStep) after(t time.Time) time.Time {
	// Hours are counted as hours of the clock, so that ticks stay on full ones
	// over a change to summer time.
	return time.Date(t.Year(), t.Month()+time.Month(s.months), t.Day()+s.days, t.Hour()+s.hours, 0, 0, 0, t.Location())
}

// first is the last tick at or before t.
func (s dateStep) first(t time.Time) time.Time {
	switch {
	case s.hours > 0:
		return time.Date(t.Year(), t.Month(), t.Day(), t.Hour()-t.Hour()%s.hours, 0, 0, 0, t.Location())
	case s.days == 1:
		return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
	case s.days > 1:
		// Counted from a Monday, so that weeks begin with one.
		monday := time.Date(2024, 1, 1, 0, 0, 0, 0, t.Location())
		days := int(math.Floor(t.Sub(monday).Hours() / 24))
		return monday.AddDate(0, 0, days-((days%s.days)+s.days)%s.days)
	}
	months := t.Year()*12 + int(t.Month()) - 1
	months -= months % s.months
	return time.Date(months/12, time.Month(months%12+1), 1, 0, 0, 0, 0, t.Location())
}

// Ticks implements [plot.Ticker].
func (d dateTicks) Ticks(from, to float64) []plot.Tick {
	steps := dateSteps()
	step := steps[len(steps)-1]
	for _, s := range steps {
		if (to-from)/s.seconds() <= float64(d.most) {
			step = s
			break
		}
	}
	var ticks []plot.Tick
	end := time.Unix(int64(to), 0)
	for t := step.first(time.Unix(int64(from), 0).In(d.zone)); !t.After(end) && len(ticks) < 200; t = step.after(t) {
		if at := float64(t.Unix()); at >= from {
			ticks = append(ticks, plot.Tick{Value: at, Label: t.Format(step.layout)})
		}
	}
	return ticks
}

// roundTicks marks round numbers.
type roundTicks struct{ most int }

// Ticks implements [plot.Ticker].
func (r roundTicks) Ticks(from, to float64) []plot.Tick {
	if !(to > from) || r.most < 1 {
		return nil
	}
	step, decimals := roundStep((to - from) / float64(r.most))
	var ticks []plot.Tick
	for n := math.Ceil(from/step - 1e-9); n*step <= to+step*1e-9; n++ {
		ticks = append(ticks, plot.Tick{Value: n * step, Label: Fixed(n*step, decimals)})
	}
	return ticks
}

// roundStep is the least of 1, 2, 5, 10 … that is no less than atLeast, and
// the decimals it needs.
func roundStep(atLeast float64) (step float64, decimals int) {
	power := math.Floor(math.Log10(atLeast))
	base := math.Pow(10, power)
	for _, m := range []float64{1, 2, 5, 10} {
		if m*base >= atLeast*(1-1e-9) {
			if m == 10 {
				power++
			}
			return m * base, int(max(0, -power))
		}
	}
	return 10 * base, int(max(0, -power-1))
}

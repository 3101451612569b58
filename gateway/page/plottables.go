package page

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// Every plot has its figures as a table beside it, for those who don't see it
// or want to read off more than it shows.

// listedTimes is in how many rows the times of the latest cycles are told.
const listedTimes = 20

// pointView is a stretch of time of the gap's history.
type pointView struct {
	At, AtRFC         string
	Filtered          figures.Figure // as the filter had it then
	Mean, Least, Most string
	Count             string
}

// viewPoints lists the course of a gap. The filtered gap of a row is the latest
// one up to its time.
func viewPoints(points []store.GapPoint, filtered []store.FilteredGap, now time.Time) []pointView {
	var views []pointView
	for _, p := range points {
		v := pointView{At: figures.SaySince(p.AtNS, now), AtRFC: rfc(p.AtNS),
			Mean: figures.Fixed(p.MeanMM, 2), Least: figures.Fixed(p.MinMM, 2), Most: figures.Fixed(p.MaxMM, 2), Count: figures.Grouped(p.Count)}
		after, _ := slices.BinarySearchFunc(filtered, p.AtNS+1, func(f store.FilteredGap, at int64) int { return cmp.Compare(f.AtNS, at) })
		if after > 0 {
			v.Filtered = figures.Gap(filtered[after-1].MM, filtered[after-1].UMM)
		}
		views = append(views, v)
	}
	return views
}

// spreadView is the middle one of some times, with the least and the most of
// them.
type spreadView struct{ Median, Least, Most string }

func viewSpread(seconds []float64) *spreadView {
	if len(seconds) == 0 {
		return nil
	}
	slices.Sort(seconds)
	ms := func(s float64) string { return figures.Fixed(s*1e3, 0) }
	return &spreadView{ms((seconds[(len(seconds)-1)/2] + seconds[len(seconds)/2]) / 2), ms(seconds[0]), ms(seconds[len(seconds)-1])}
}

// timesView is the release and set times of some cycles that followed each
// other; nil where none was measured.
type timesView struct {
	At, AtRFC    string // of the first of them
	Release, Set *spreadView
	Count        string
}

// viewTimes tells the times of cycles, the oldest first, in a few rows of
// equally many.
func viewTimes(cycles []store.CycleRow, now time.Time) []timesView {
	var views []timesView
	for some := range slices.Chunk(cycles, max(1, (len(cycles)+listedTimes-1)/listedTimes)) {
		var release, set []float64
		for _, c := range some {
			if figures.Finite(c.ReleaseS) {
				release = append(release, c.ReleaseS)
			}
			if figures.Finite(c.SetS) {
				set = append(set, c.SetS)
			}
		}
		views = append(views, timesView{At: figures.SaySince(some[0].AtNS, now), AtRFC: rfc(some[0].AtNS),
			Release: viewSpread(release), Set: viewSpread(set), Count: figures.Grouped(int64(len(some)))})
	}
	return views
}

// moveView is where the travel was at a moment of a cycle.
type moveView struct{ At, Travel string }

// viewMoves lists the travel of a cycle: dense where it moves, sparse where it
// rests.
func viewMoves(w analysis.Waveform) []moveView {
	n := min(len(w.TimesNS), len(w.TravelMM))
	low, high := math.Inf(1), math.Inf(-1)
	for _, mm := range w.TravelMM[:n] {
		if v := float64(mm); figures.Finite(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if n == 0 || high < low {
		return nil
	}
	// A twelfth of the stroke, or of the time, is a step worth a row.
	step, pause := (high-low)/12, max((w.TimesNS[n-1]-w.TimesNS[0])/12, 1)
	var views []moveView
	told, before := -1, -1 // the latest row, and the latest reading
	tell := func(i int) {
		views = append(views, moveView{figures.Fixed(float64(w.TimesNS[i])*1e-9, 2), figures.Fixed(float64(w.TravelMM[i]), 2)})
		told = i
	}
	for i := range n {
		v := float64(w.TravelMM[i])
		if !figures.Finite(v) {
			continue
		}
		switch {
		case told < 0 || i == n-1 || w.TimesNS[i]-w.TimesNS[told] >= pause:
			tell(i)
		case math.Abs(v-float64(w.TravelMM[told])) > step:
			if before != told {
				tell(before) // where it still rested
			}
			if math.Abs(v-float64(w.TravelMM[told])) > step/2 {
				tell(i)
			}
		}
		before = i
	}
	return views
}

package figures

import (
	"math"
	"slices"
	"time"

	"gapward/analysis"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// TimesHistory is what a plot of release and set times shows.
type TimesHistory struct {
	Brake  string
	Cycles []analysis.Cycle // the oldest first
	Timing analysis.Timing
	Zone   *time.Location
}

// HasTimes reports whether any of the cycles has a time to be drawn.
func HasTimes(cycles []analysis.Cycle) bool {
	for _, c := range cycles {
		if Finite(c.ReleaseS) || Finite(c.SetS) {
			return true
		}
	}
	return false
}

// TimesCurve draws the release and the set times of cycles, one over the other,
// each with its limit.
func TimesCurve(h TimesHistory, s Size) ([]byte, error) {
	pal := newPalette()
	release, releaseLimits, err := timesPlot(h, s, pal, "release, ms", h.Timing.Release, func(c analysis.Cycle) float64 { return c.ReleaseS })
	if err != nil {
		return nil, err
	}
	set, setLimits, err := timesPlot(h, s, pal, "set, ms", h.Timing.Set, func(c analysis.Cycle) float64 { return c.SetS })
	if err != nil {
		return nil, err
	}
	return render(s, "Release and set times of "+h.Brake, func(c draw.Canvas) {
		half := c.Center().Y
		paintTimes(draw.Crop(c, 2, -66, half-c.Min.Y+4, -10), release, releaseLimits, pal)
		paintTimes(draw.Crop(c, 2, -66, 4, half-c.Max.Y-4), set, setLimits, pal)
	})
}

// timesPlot is the plot of one of the two times, a dot a cycle. Times that are
// far beyond everything else are drawn at the upper end, so that the rest can
// be read.
func timesPlot(h TimesHistory, s Size, pal palette, label string, limit time.Duration, of func(analysis.Cycle) float64) (*plot.Plot, []limitLine, error) {
	p := newPlot(pal)
	p.Y.Label.Text = label
	p.X.Tick.Marker = dateTicks{zone: h.Zone, most: int(s.Width / 90)}
	p.Y.Tick.Marker = roundTicks{most: int(s.Height / 90)}
	var dots plotter.XYs
	high := 1.2 * float64(limit) / 1e6
	for _, c := range h.Cycles {
		if v := of(c); Finite(v) {
			dots = append(dots, plotter.XY{X: sec(c.AtNS), Y: v * 1e3})
		}
	}
	usual := 0.0
	for _, d := range dots {
		usual += d.Y / float64(len(dots))
	}
	high = max(high, 1.8*usual, 1)
	p.Y.Min, p.Y.Max = 0, high
	p.X.Min, p.X.Max = math.Inf(1), math.Inf(-1)
	for _, c := range h.Cycles {
		p.X.Min, p.X.Max = min(p.X.Min, sec(c.AtNS)), max(p.X.Max, sec(c.AtNS))
	}
	if !(p.X.Max > p.X.Min) {
		p.X.Max = p.X.Min + 3600
	}
	grid := plotter.NewGrid()
	grid.Vertical.Width = 0
	grid.Horizontal = draw.LineStyle{Color: pal.grid.stand, Width: 1}
	p.Add(grid)
	var limits []limitLine
	if limit > 0 {
		at := float64(limit) / 1e6
		ink := pal.limit
		if slow(dots, at) {
			ink = pal.late
		}
		limits = []limitLine{{"limit " + Exact(at), at, ink, 1.6, []vg.Length{6, 4}}}
		line, err := plotter.NewLine(plotter.XYs{{X: p.X.Min, Y: at}, {X: p.X.Max, Y: at}})
		if err != nil {
			return nil, nil, err
		}
		line.LineStyle = draw.LineStyle{Color: ink.stand, Width: 1.6, Dashes: []vg.Length{6, 4}}
		p.Add(line)
	}
	if len(dots) > 0 {
		for i := range dots {
			dots[i].Y = min(dots[i].Y, high)
		}
		scatter, err := plotter.NewScatter(dots)
		if err != nil {
			return nil, nil, err
		}
		scatter.GlyphStyle = draw.GlyphStyle{Color: pal.data.stand, Radius: 1.6, Shape: draw.CircleGlyph{}}
		p.Add(scatter)
	}
	return p, limits, nil
}

// slow reports whether the latest times, taken together, are beyond the limit: one
// unlucky poll is no reason for a colour.
func slow(dots plotter.XYs, limit float64) bool {
	if len(dots) == 0 {
		return false
	}
	var latest []float64
	for _, d := range dots[max(0, len(dots)-12):] {
		latest = append(latest, d.Y)
	}
	slices.Sort(latest)
	return latest[len(latest)/2] > limit
}

func paintTimes(c draw.Canvas, p *plot.Plot, limits []limitLine, pal palette) {
	p.Draw(c)
	data := p.DataCanvas(c)
	for _, one := range limits {
		c.FillText(lettering(one.ink, text.XLeft, text.YCenter), vg.Point{X: data.Max.X + 6, Y: data.Y(p.Y.Norm(one.mm))}, one.name)
	}
}

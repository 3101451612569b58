package figures

import (
	"fmt"
	"math"
	"slices"

	"gapward/analysis"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// longRun is how long the drive may be on for the whole cycle to be drawn on
// one axis, s. Beyond it the two movements would shrink to strokes, so they
// are drawn apart.
const longRun = 4

// Margins around a movement that is drawn on its own, s.
const (
	beforeMove = 0.5
	afterMove  = 1.5
)

// CycleCurve draws the travel of a cycle. c is what was measured on it, and
// all missing where the cycle isn't known.
func CycleCurve(brake string, w analysis.Waveform, c analysis.Cycle, s Size) ([]byte, error) {
	n := min(len(w.TimesNS), len(w.TravelMM))
	trace := make(plotter.XYs, 0, n)
	for i := range n {
		if y := float64(w.TravelMM[i]); Finite(y) {
			trace = append(trace, plotter.XY{X: sec(w.TimesNS[i]), Y: y})
		}
	}
	if len(trace) == 0 {
		return nil, fmt.Errorf("drawing the last cycle of %s: it has no readings", brake)
	}
	off := sec(w.OffNS)
	low, high := reachOf(trace, c.SetLevelMM, c.ReleasedLevelMM)
	pad := max(0.08*(high-low), 0.02)
	low, high = low-pad, high+2.2*pad // room for the marks' names
	one := func(from, to float64, first bool) (*plot.Plot, []mark, error) {
		return movement(trace, c, off, from, to, low, high, first, s)
	}
	title := "Travel of " + brake + " in its latest cycle"
	if off <= longRun {
		p, marks, err := one(trace[0].X, trace[len(trace)-1].X, true)
		if err != nil {
			return nil, err
		}
		return render(s, title, func(canvas draw.Canvas) { paintMovement(canvas, p, marks, newPalette()) })
	}
	on, onMarks, err := one(max(trace[0].X, -beforeMove), afterMove, true)
	if err != nil {
		return nil, err
	}
	back, offMarks, err := one(off-beforeMove, min(trace[len(trace)-1].X, off+afterMove), false)
	if err != nil {
		return nil, err
	}
	return render(s, title, func(canvas draw.Canvas) {
		half := canvas.Center().X + 10
		paintMovement(draw.Crop(canvas, 0, half-canvas.Max.X, 0, 0), on, onMarks, newPalette())
		paintMovement(draw.Crop(canvas, half, 0, 0, 0), back, offMarks, newPalette())
	})
}

// mark is an upright line and its name.
type mark struct {
	at     float64 // s
	name   string
	row    int // in which its name stands, counted from above
	dashes []vg.Length
}

// movement is the plot of one stretch of the cycle.
func movement(trace plotter.XYs, c analysis.Cycle, off, from, to, low, high float64, named bool, s Size) (*plot.Plot, []mark, error) {
	pal := newPalette()
	p := newPlot(pal)
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = from, max(to, from+0.1), low, high
	p.X.Label.Text = "time since drive on, s"
	most := int(s.Width / 70)
	if off > longRun {
		p.X.Label.Text = "s since drive on"
		most /= 2
	}
	p.X.Tick.Marker = roundTicks{most: most}
	p.Y.Tick.Marker = roundTicks{most: int(s.Height / 45)}
	if named {
		p.Y.Label.Text = "travel, mm"
	}
	grid := plotter.NewGrid()
	grid.Vertical.Width = 0
	grid.Horizontal = draw.LineStyle{Color: pal.grid.stand, Width: 1}
	p.Add(grid)
	var marks []mark
	for _, m := range []mark{{0, "drive on", 0, nil}, {c.ReleaseS, "released", 1, []vg.Length{2, 3}},
		{off, "drive off", 0, nil}, {off + c.SetS, "set", 1, []vg.Length{2, 3}}} {
		if Finite(m.at) && m.at >= from && m.at <= p.X.Max {
			marks = append(marks, m)
		}
	}
	for _, level := range []float64{c.SetLevelMM, c.ReleasedLevelMM} {
		if !Finite(level) {
			continue
		}
		line, err := plotter.NewLine(plotter.XYs{{X: from, Y: level}, {X: p.X.Max, Y: level}})
		if err != nil {
			return nil, nil, err
		}
		line.LineStyle = draw.LineStyle{Color: pal.limit.stand, Width: 1.2, Dashes: []vg.Length{6, 4}}
		p.Add(line)
	}
	var part plotter.XYs
	for _, q := range trace {
		if q.X >= from && q.X <= p.X.Max {
			part = append(part, q)
		}
	}
	if len(part) > 0 {
		line, err := plotter.NewLine(part)
		if err != nil {
			return nil, nil, err
		}
		line.LineStyle = draw.LineStyle{Color: pal.data.stand, Width: 1.8}
		p.Add(line)
	}
	return p, marks, nil
}

// paintMovement draws the plot and names its marks, each on the side where
// there is room, and further down where another name stands already: in a jog
// everything happens at once.
func paintMovement(canvas draw.Canvas, p *plot.Plot, marks []mark, pal palette) {
	inner := draw.Crop(canvas, 2, -12, 4, -8)
	p.Draw(inner)
	data := p.DataCanvas(inner)
	type stretch struct {
		row      int
		from, to vg.Length
	}
	var taken []stretch
	for _, m := range marks {
		x := data.X(p.X.Norm(m.at))
		style, dx := lettering(pal.axis, text.XLeft, text.YTop), vg.Length(4)
		if x > data.Min.X+(data.Max.X-data.Min.X)*3/4 {
			style, dx = lettering(pal.axis, text.XRight, text.YTop), -4
		}
		from := x + dx
		if dx < 0 {
			from -= style.Width(m.name)
		}
		to := from + style.Width(m.name) + 4
		for slices.ContainsFunc(taken, func(s stretch) bool { return s.row == m.row && from < s.to && s.from < to }) {
			m.row++
		}
		taken = append(taken, stretch{m.row, from, to})
		// A line ends where its name stands, so as not to strike through the
		// name above.
		top := data.Max.Y - vg.Length(m.row*(letterPX+4))
		canvas.StrokeLine2(draw.LineStyle{Color: pal.axis.stand, Width: 1.2, Dashes: m.dashes}, x, data.Min.Y, x, top)
		canvas.FillText(style, vg.Point{X: x + dx, Y: top - 1}, m.name)
	}
}

// reachOf is the least and the most of the trace and the levels.
func reachOf(trace plotter.XYs, levels ...float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, q := range trace {
		low, high = min(low, q.Y), max(high, q.Y)
	}
	for _, l := range levels {
		if Finite(l) {
			low, high = min(low, l), max(high, l)
		}
	}
	return low, high
}

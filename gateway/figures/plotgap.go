package figures

import (
	"cmp"
	"math"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// GapHistory is what a plot of the gap shows.
type GapHistory struct {
	Brake    string
	Limits   analysis.Limits
	Points   []store.GapPoint
	FromNS   int64     // the span's beginning; points may begin later
	Until    time.Time // the span's end, in the zone of the dates
	Forecast analysis.Forecast
	Foretold bool // there is a forecast, made before Until
	ByHand   []HandPoint
	Filtered []store.FilteredGap // what the filter made of it
	Works    []WorkMark
}

// WorkMark is work at the brake that moved its gap.
type WorkMark struct {
	AtNS int64
	Word string // "adjusted", "new lining"
}

// HandPoint is a gap read by hand.
type HandPoint struct {
	AtNS    int64
	MM, UMM float64 // with its standard uncertainty
}

// GapCurve draws the history of a gap: least to most of each stretch of time as
// a band, the filtered gap with ±2u as a band and a line in it (where there is
// none the means), the limits, work at the brake, and the forecast as a fan up
// to where it crosses the limit.
func GapCurve(h GapHistory, s Size) ([]byte, error) {
	pal := newPalette()
	p := newPlot(pal)
	zone := h.Until.Location()
	p.Y.Label.Text = "air gap, mm"
	p.X.Label.Text = "date, " + h.Until.Format("MST")
	p.X.Tick.Marker = dateTicks{zone: zone, most: int(s.Width / 90)}
	p.Y.Tick.Marker = roundTicks{most: int(s.Height / 45)}

	first := h.Until.Add(-time.Hour).UnixNano()
	if len(h.Points) > 0 {
		first = min(first, h.Points[0].AtNS)
	}
	for _, q := range h.ByHand {
		first = min(first, q.AtNS)
	}
	from, now := sec(max(first, h.FromNS)), sec(h.Until.UnixNano())
	to := now
	fan, hasFan := fanOf(h, now, reachAhead(h, now, max(now-from, 86400)))
	if hasFan {
		to = fan.end
	}
	p.X.Min, p.X.Max = from, to+(to-from)*0.01
	l := h.Limits
	low, high := l.MinMM, l.MaxMM
	for _, q := range h.Points {
		low, high = min(low, q.MinMM), max(high, q.MaxMM)
	}
	for _, q := range h.ByHand {
		low, high = min(low, q.MM-2*q.UMM), max(high, q.MM+2*q.UMM)
	}
	pad := 0.06 * (high - low)
	p.Y.Min, p.Y.Max = max(0, low-pad), high+pad
	if n := len(h.Works); n > 0 {
		p.Y.Max += pad * float64(min(1+n, 3)) // room for their names above the limits
	}

	grid := plotter.NewGrid()
	grid.Vertical.Width = 0
	grid.Horizontal = draw.LineStyle{Color: pal.grid.stand, Width: 1}
	p.Add(grid)
	if hasFan {
		if err := fan.addTo(p, pal); err != nil {
			return nil, err
		}
	}
	labels := limitLines(l, h.reached(), pal)
	for _, one := range labels {
		line, err := plotter.NewLine(plotter.XYs{{X: p.X.Min, Y: one.mm}, {X: p.X.Max, Y: one.mm}})
		if err != nil {
			return nil, err
		}
		line.LineStyle = draw.LineStyle{Color: one.ink.stand, Width: one.width, Dashes: one.dashes}
		p.Add(line)
	}
	if err := addPoints(p, h.Points, len(h.Filtered) > 1, pal); err != nil {
		return nil, err
	}
	if err := addFiltered(p, h.Filtered, pal); err != nil {
		return nil, err
	}
	if err := addByHand(p, h.ByHand, pal); err != nil {
		return nil, err
	}
	if hasFan && to > now {
		mark, err := plotter.NewLine(plotter.XYs{{X: now, Y: p.Y.Min}, {X: now, Y: p.Y.Max}})
		if err != nil {
			return nil, err
		}
		mark.LineStyle = draw.LineStyle{Color: pal.axis.stand, Width: 1, Dashes: []vg.Length{2, 3}}
		p.Add(mark)
	}
	return render(s, "Air gap of "+h.Brake+" over time", func(c draw.Canvas) {
		// The limits are named beside the plot, where no data can hide them.
		inner := draw.Crop(c, 2, -74, 4, -10)
		p.Draw(inner)
		data := p.DataCanvas(inner)
		for _, one := range labels {
			style := lettering(one.ink, text.XLeft, text.YCenter)
			c.FillText(style, vg.Point{X: data.Max.X + 6, Y: data.Y(p.Y.Norm(one.mm))}, one.name)
		}
		paintWorks(c, data, p, h.Works, pal)
		if hasFan && to > now {
			at := data.X(p.X.Norm(now))
			style := lettering(pal.axis, text.XRight, text.YBottom)
			c.FillText(style, vg.Point{X: at - 4, Y: data.Min.Y + 3}, "now")
		}
	})
}

type limitLine struct {
	name   string
	mm     float64
	ink    ink
	width  vg.Length
	dashes []vg.Length
}

// reached is how far the latest gap may have come: it is what isn't ruled out that
// counts, as in the verdict.
func (h GapHistory) reached() float64 {
	switch {
	case len(h.Filtered) > 0:
		last := h.Filtered[len(h.Filtered)-1]
		return last.MM + analysis.GuardFactor*last.UMM
	case len(h.Points) > 0:
		return h.Points[len(h.Points)-1].MeanMM
	case len(h.ByHand) > 0:
		last := h.ByHand[len(h.ByHand)-1]
		return last.MM + analysis.GuardFactor*last.UMM
	}
	return math.NaN()
}

// limitLines are the limits. They have a colour where they are reached: while all
// is well the plot is grey.
func limitLines(l analysis.Limits, reached float64, pal palette) []limitLine {
	late, over := pal.limit, pal.limit
	if reached >= l.AdjustMM {
		late = pal.late
	}
	if reached >= l.MaxMM {
		over = pal.over
	}
	return []limitLine{
		{"min " + Exact(l.MinMM), l.MinMM, pal.limit, 1, []vg.Length{6, 4}},
		{"target " + Exact(l.TargetMM), l.TargetMM, pal.limit, 1, []vg.Length{1, 4}},
		{"adjust " + Exact(l.AdjustMM), l.AdjustMM, late, 1.6, []vg.Length{6, 4}},
		{"max " + Exact(l.MaxMM), l.MaxMM, over, 1.6, nil},
	}
}

// addPoints adds the band, the line of means and, where they are few, a dot
// for each; of those the band alone where the filtered gap goes over it.
func addPoints(p *plot.Plot, points []store.GapPoint, filtered bool, pal palette) error {
	if len(points) == 0 {
		return nil
	}
	means := make(plotter.XYs, len(points))
	band := make(plotter.XYs, 0, 2*len(points))
	for i, q := range points {
		means[i] = plotter.XY{X: sec(q.AtNS), Y: q.MeanMM}
		band = append(band, plotter.XY{X: sec(q.AtNS), Y: q.MaxMM})
	}
	for i := len(points) - 1; i >= 0; i-- {
		band = append(band, plotter.XY{X: sec(points[i].AtNS), Y: points[i].MinMM})
	}
	area, err := plotter.NewPolygon(band)
	if err != nil {
		return err
	}
	area.Color, area.LineStyle.Width = pal.band.stand, 0
	if filtered {
		area.Color = pal.fan.stand
		p.Add(area)
		return nil
	}
	line, err := plotter.NewLine(means)
	if err != nil {
		return err
	}
	line.LineStyle = draw.LineStyle{Color: pal.data.stand, Width: 1.8}
	p.Add(area, line)
	if len(points) <= 40 {
		dots, err := plotter.NewScatter(means)
		if err != nil {
			return err
		}
		dots.GlyphStyle = draw.GlyphStyle{Color: pal.data.stand, Radius: 2.2, Shape: draw.CircleGlyph{}}
		p.Add(dots)
	}
	return nil
}

// addFiltered adds the filtered gap: ±2u as a band, and the line in it.
func addFiltered(p *plot.Plot, points []store.FilteredGap, pal palette) error {
	if len(points) < 2 {
		return nil
	}
	line, band := make(plotter.XYs, len(points)), make(plotter.XYs, 0, 2*len(points))
	for i, q := range points {
		line[i] = plotter.XY{X: sec(q.AtNS), Y: q.MM}
		band = append(band, plotter.XY{X: line[i].X, Y: q.MM + 2*q.UMM})
	}
	for i := len(points) - 1; i >= 0; i-- {
		band = append(band, plotter.XY{X: line[i].X, Y: points[i].MM - 2*points[i].UMM})
	}
	area, err := plotter.NewPolygon(band)
	if err != nil {
		return err
	}
	area.Color, area.LineStyle.Width = pal.band.stand, 0
	middle, err := plotter.NewLine(line)
	if err != nil {
		return err
	}
	middle.LineStyle = draw.LineStyle{Color: pal.data.stand, Width: 1.8}
	p.Add(area, middle)
	return nil
}

// paintWorks marks work at the brake by upright lines, each with a word in one of
// two rows, where there is room for it.
func paintWorks(c, data draw.Canvas, p *plot.Plot, works []WorkMark, pal palette) {
	const row = letterPX + 4
	taken := [2]vg.Length{data.Min.X, data.Min.X} // up to where each row has words
	for _, w := range works {
		if at := sec(w.AtNS); at < p.X.Min || at > p.X.Max {
			continue
		}
		x := data.X(p.X.Norm(sec(w.AtNS)))
		c.StrokeLine2(draw.LineStyle{Color: pal.axis.stand, Width: 1}, x, data.Min.Y, x, data.Max.Y)
		width := lettering(pal.axis, text.XLeft, text.YTop).Width(w.Word) + 4
		for i, used := range taken {
			y := data.Max.Y - vg.Length(i)*row - 1
			switch {
			case x >= used && x+4+width <= data.Max.X:
				c.FillText(lettering(pal.axis, text.XLeft, text.YTop), vg.Point{X: x + 4, Y: y}, w.Word)
				taken[i] = x + 4 + width
			case x-4-width >= used:
				c.FillText(lettering(pal.axis, text.XRight, text.YTop), vg.Point{X: x - 4, Y: y}, w.Word)
				taken[i] = x
			default:
				continue // in the next row, or nowhere
			}
			break
		}
	}
}

// addByHand adds the readings by hand: open squares, with ±2u as a stroke.
func addByHand(p *plot.Plot, readings []HandPoint, pal palette) error {
	if len(readings) == 0 {
		return nil
	}
	at := make(plotter.XYs, len(readings))
	for i, q := range readings {
		at[i] = plotter.XY{X: sec(q.AtNS), Y: q.MM}
		stroke, err := plotter.NewLine(plotter.XYs{{X: at[i].X, Y: q.MM - 2*q.UMM}, {X: at[i].X, Y: q.MM + 2*q.UMM}})
		if err != nil {
			return err
		}
		stroke.LineStyle = draw.LineStyle{Color: pal.data.stand, Width: 1.2}
		p.Add(stroke)
	}
	squares, err := plotter.NewScatter(at)
	if err != nil {
		return err
	}
	squares.GlyphStyle = draw.GlyphStyle{Color: pal.data.stand, Radius: 3.5, Shape: draw.SquareGlyph{}}
	p.Add(squares)
	return nil
}

// forecastFan is the way from the gap now to the limit, early, likely and
// late, cut off at end.
type forecastFan struct {
	end                 float64
	start               plotter.XY
	early, middle, late plotter.XY
}

// reachAhead is how far ahead the plot goes, seconds: to where the forecast has
// crossed its limit even if late, but no more than three times as far as it goes
// back, so that the history keeps its place.
func reachAhead(h GapHistory, now, back float64) float64 {
	late := h.Forecast.DateNS.P95
	if !Finite(late) || late > latestNS {
		return back
	}
	return min(max(1.05*(late*1e-9-now), 86400), 3*back)
}

// fanOf is the fan of the forecast. It reaches no further ahead than ahead,
// seconds, so that the history keeps its place.
func fanOf(h GapHistory, now, ahead float64) (forecastFan, bool) {
	f := h.Forecast
	if !h.Foretold || !Finite(f.GapMM) || !Finite(f.DateNS.P05) || !Finite(f.DateNS.P50) || f.LimitMM <= f.GapMM {
		return forecastFan{}, false
	}
	start := plotter.XY{X: sec(f.AtNS), Y: f.GapMM}
	late := f.DateNS.P95
	if !Finite(late) || late > latestNS {
		late = latestNS
	}
	end := min(now+ahead, late*1e-9+0.03*ahead)
	reach := func(ns float64) plotter.XY {
		x := max(ns*1e-9, start.X+1)
		if x <= end {
			return plotter.XY{X: x, Y: f.LimitMM}
		}
		part := (end - start.X) / (x - start.X)
		return plotter.XY{X: end, Y: start.Y + part*(f.LimitMM-start.Y)}
	}
	if end <= max(start.X, now) {
		return forecastFan{}, false
	}
	return forecastFan{end: end, start: start, early: reach(f.DateNS.P05), middle: reach(f.DateNS.P50), late: reach(late)}, true
}

func (f forecastFan) addTo(p *plot.Plot, pal palette) error {
	corners := plotter.XYs{f.start, f.early}
	if f.early.X < f.end && f.late.X >= f.end && f.late.Y < f.early.Y {
		corners = append(corners, plotter.XY{X: f.end, Y: f.early.Y}) // cut off between early and late
	}
	area, err := plotter.NewPolygon(append(corners, f.late))
	if err != nil {
		return err
	}
	area.Color, area.LineStyle.Width = pal.fan.stand, 0
	middle, err := plotter.NewLine(plotter.XYs{f.start, f.middle})
	if err != nil {
		return err
	}
	middle.LineStyle = draw.LineStyle{Color: pal.axis.stand, Width: 1.6, Dashes: []vg.Length{5, 3}}
	p.Add(area, middle)
	return nil
}

func sec(ns int64) float64 { return float64(ns) * 1e-9 }

// PointsOf is how many points a plot of that size can show.
func PointsOf(s Size) int { return cmp.Or(int(math.Round(s.Width/3)), 1) }

package figures

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/color"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Ink is a colour that plots are drawn in.
type Ink struct{ Light, Dark string } // on a light and on a dark screen

// Inks are the colours that carry what a plot says.
func Inks() []Ink {
	p := newPalette()
	var list []Ink
	for _, i := range []ink{p.axis, p.data, p.limit, p.late, p.over} {
		list = append(list, Ink{i.light, i.dark})
	}
	return list
}

// ink is a role of colour in a plot. The drawing carries the role as a stand-in
// colour, which [finish] replaces by a variable of the picture's own style
// sheet: so one drawing serves light and dark screens.
type ink struct {
	stand       color.NRGBA
	variable    string
	light, dark string // on a light and on a dark screen
}

// None of the stand-ins is black, which the canvas would leave out.
func inks() (axis, grid, data, band, limit, fan, late, over ink) {
	one := func(n uint8, variable, light, dark string) ink {
		return ink{color.NRGBA{R: 1, G: n, B: 254, A: 255}, variable, light, dark}
	}
	return one(1, "axis", "#50555a", "#a9afb5"),
		one(2, "grid", "#dddfdb", "#33383c"),
		one(3, "data", "#191b1d", "#eceeea"),
		one(4, "band", "#c3c7c4", "#565d63"),
		one(5, "limit", "#50555a", "#a9afb5"),
		one(6, "fan", "#dfe1de", "#33383d"),
		one(7, "late", "#8a6a00", "#ffce2e"),
		one(8, "over", "#b3141d", "#ff6b70")
}

// palette is the inks by role.
type palette struct{ axis, grid, data, band, limit, fan, late, over ink }

func newPalette() palette {
	var p palette
	p.axis, p.grid, p.data, p.band, p.limit, p.fan, p.late, p.over = inks()
	return p
}

func (p palette) all() []ink {
	return []ink{p.axis, p.grid, p.data, p.band, p.limit, p.fan, p.late, p.over}
}

// Size is that of a plot in CSS pixels.
type Size struct{ Width, Height float64 }

// Wide is for two columns or a wide screen. Lettering keeps its size, so it is
// legible in a narrow plot too.
func Wide() Size { return Size{560, 330} }

// Narrow is for a phone held upright.
func Narrow() Size { return Size{360, 300} }

const letterPX = 12

func sans(px float64) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(px)}
}

// newPlot makes an empty plot in the page's own look.
func newPlot(p palette) *plot.Plot {
	one := plot.New()
	one.BackgroundColor = nil
	for _, axis := range []*plot.Axis{&one.X, &one.Y} {
		axis.LineStyle = draw.LineStyle{Color: p.axis.stand, Width: 1}
		axis.Tick.LineStyle = draw.LineStyle{Color: p.axis.stand, Width: 1}
		axis.Tick.Length = 4
		axis.Padding = 0
		axis.Label.Padding = 3
		axis.Tick.Label.Font = sans(letterPX)
		axis.Tick.Label.Color = p.axis.stand
		axis.Label.TextStyle.Font = sans(letterPX)
		axis.Label.TextStyle.Color = p.axis.stand
	}
	return one
}

func lettering(c ink, x text.XAlignment, y text.YAlignment) text.Style {
	return text.Style{Color: c.stand, Font: sans(letterPX), XAlign: x, YAlign: y, Handler: plot.DefaultTextHandler}
}

// render draws onto a canvas of one point a CSS pixel and gives the finished
// SVG. Lengths in draw are therefore pixels.
func render(s Size, title string, paint func(draw.Canvas)) ([]byte, error) {
	canvas := vgsvg.New(vg.Length(s.Width), vg.Length(s.Height))
	paint(draw.New(canvas))
	var raw bytes.Buffer
	if _, err := canvas.WriteTo(&raw); err != nil {
		return nil, fmt.Errorf("drawing a plot: %w", err)
	}
	return finish(raw.String(), s, title)
}

// finish puts the page's own head on a drawing and colours it.
func finish(raw string, s Size, title string) ([]byte, error) {
	_, body, ok := strings.Cut(raw, "<g ")
	if !ok {
		return nil, fmt.Errorf("drawing a plot: the drawing is empty")
	}
	var light, dark strings.Builder
	swaps := []string{"font-family:Liberation Sans;font-variant:normal;font-weight:normal;font-style:normal;", ""}
	for _, i := range newPalette().all() {
		fmt.Fprintf(&light, "--%s:%s;", i.variable, i.light)
		fmt.Fprintf(&dark, "--%s:%s;", i.variable, i.dark)
		swaps = append(swaps, fmt.Sprintf("#%02X%02X%02X", i.stand.R, i.stand.G, i.stand.B), "var(--"+i.variable+")")
	}
	var out bytes.Buffer
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" width="%g" height="%g" viewBox="0 0 %g %g" role="img"><title>`, s.Width, s.Height, s.Width, s.Height)
	if err := xml.EscapeText(&out, []byte(title)); err != nil {
		return nil, err
	}
	fmt.Fprintf(&out, `</title><style>:root{%s}@media(prefers-color-scheme:dark){:root{%s}}text{font-family:"Liberation Sans",Arial,Helvetica,sans-serif}</style>`+"\n<g ", light.String(), dark.String())
	if _, err := strings.NewReplacer(swaps...).WriteString(&out, body); err != nil {
		return nil, fmt.Errorf("drawing a plot: %w", err)
	}
	return out.Bytes(), nil
}

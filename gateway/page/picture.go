package page

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gapward/analysis"
	"gapward/gateway/figures"
)

// picture is a gap against its limits as a bar that begins at zero. Places are
// in percent of its width.
type picture struct {
	Has                    bool // there is a gap
	Gap, Low, High         string
	Whisker                string // width
	Min, Target            string
	Adjust, Max            string
	Working, Late, Beyond  string // widths of the zones min to adjust, adjust to max, beyond max
	MinMM, TargetMM        string
	AdjustMM, MaxMM        string
	Level                  level // colours the bar, where abnormal
	Text                   string
	OverScale, OverWhisker bool // the gap, or its whisker, lies beyond the scale
}

// pictureOf draws where the brake's gap stands.
func pictureOf(s *standing) picture {
	l := s.brake.Limits
	gap, u := s.verdict.GapMM, s.verdict.GapUMM
	if !figures.Finite(u) || u < 0 {
		u = 0
	}
	end := 1.15 * l.MaxMM
	if s.hasGap() {
		// A gap far out widens the scale, but not so far that the limits
		// shrink to nothing.
		end = max(end, min(gap+2.5*u, 1.6*l.MaxMM))
	}
	place := func(mm float64) float64 {
		if end <= 0 {
			return 0
		}
		return 100 * min(1, max(0, mm/end))
	}
	p := picture{
		Min: percent(place(l.MinMM)), Target: percent(place(l.TargetMM)),
		Adjust: percent(place(l.AdjustMM)), Max: percent(place(l.MaxMM)),
		Working: percent(place(l.AdjustMM) - place(l.MinMM)),
		Late:    percent(place(l.MaxMM) - place(l.AdjustMM)),
		Beyond:  percent(100 - place(l.MaxMM)),
		MinMM:   figures.Exact(l.MinMM), TargetMM: figures.Exact(l.TargetMM), AdjustMM: figures.Exact(l.AdjustMM), MaxMM: figures.Exact(l.MaxMM),
		Level: normal,
	}
	limits := fmt.Sprintf("limits: min %s, target %s, adjust %s, max %s mm", p.MinMM, p.TargetMM, p.AdjustMM, p.MaxMM)
	if !s.hasGap() {
		p.Text = "Air gap not measured; " + limits
		return p
	}
	p.Has = true
	p.Gap, p.Low, p.High = percent(place(gap)), percent(place(gap-2*u)), percent(place(gap+2*u))
	p.Whisker = percent(place(gap+2*u) - place(gap-2*u))
	p.OverScale, p.OverWhisker = gap > end, gap+2*u > end
	switch s.verdict.State {
	case analysis.StopUsing:
		p.Level = danger
	case analysis.AdjustDue, analysis.TooNarrow:
		p.Level = abnormal
	}
	p.Text = fmt.Sprintf("Air gap %s, %s; %s", figures.Gap(gap, s.verdict.GapUMM), s.margin(), limits)
	return p
}

// percent is a share for SVG, to a hundredth.
func percent(v float64) string {
	text := strconv.FormatFloat(math.Round(v*100)/100, 'f', 2, 64)
	return strings.TrimRight(strings.TrimRight(text, "0"), ".") + "%"
}

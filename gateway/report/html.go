package report

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/sensors"
)

//go:embed record.html
var recordHTML string

// plotView is a plot in the record.
type plotView struct {
	Head, Text string
	Source     template.URL // the picture itself
}

// WriteHTML writes the record as one HTML file that needs no other, in the time
// zone in which it was made. It is laid out for A4.
func (r *Record) WriteHTML(w io.Writer) error {
	page, err := template.New("record").Funcs(r.words()).Parse(recordHTML)
	if err != nil {
		return fmt.Errorf("writing the record as HTML: %w", err)
	}
	if err := page.Execute(w, r); err != nil {
		return fmt.Errorf("writing the record as HTML: %w", err)
	}
	return nil
}

// words are the functions by which the template puts figures into words.
func (r *Record) words() template.FuncMap {
	zone := r.made.Location()
	at := func(text string, layout string) string {
		t, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return text
		}
		return t.In(zone).Format(layout)
	}
	return template.FuncMap{
		"stamp":    func(text string) string { return at(text, "2\u00a0Jan\u00a02006 15:04") },
		"day":      func(text string) string { return at(text, "2 Jan 2006") },
		"order":    func(o OrderRecord) string { return o.Words(r.made) },
		"zone":     func() string { return r.made.Format("MST (UTC-07:00)") },
		"state":    stateWords,
		"gap":      func(mm, u *float64) string { return figures.Gap(value(mm), value(u)).String() },
		"millis":   func(ms, u *float64) string { return figures.Milliseconds(value(ms)/1e3, value(u)/1e3).String() },
		"num":      func(v *float64, decimals int) string { return figures.Measured(value(v), 0, decimals, "").String() },
		"percent":  percent,
		"exact":    figures.Exact,
		"grouped":  figures.Grouped,
		"int64":    func(n int) int64 { return int64(n) },
		"total":    func(d DutyRecord) int { return int(d.Full + d.Jogs) },
		"list":     func(names []string) string { return strings.Join(names, ", ") },
		"words":    func(name string) string { return strings.ReplaceAll(name, "-", " ") },
		"sentence": sentence,
		"deref":    func(n *int) int { return *n },
		"derefb":   func(b *bool) bool { return b != nil && *b },
		"cycles":   cycleWords,
		"odds":     func(b BrakeRecord) []string { return odds(b, zone) },
		"plots":    plotViews,
		"gaps":     func(b BrakeRecord) []gapRow { return gapRows(b.Gaps) },
		"latest": func(b BrakeRecord) []figures.Fact {
			if b.cycle == nil {
				return nil
			}
			return figures.CycleFacts(*b.cycle)
		},
		"entry": func(b BrakeRecord, e EntryBody) string { return EntryWords(b.settings.Adjuster, e) },
		"value": func(a AlarmRecord) string {
			return figures.OfAlarm(a.event.Value, a.event.U, a.Unit).String()
		},
		"limit": func(a AlarmRecord) string { return figures.OfLimit(a.event.Limit, a.event.Value, a.Unit).String() },
	}
}

func value(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func percent(v *float64) string {
	if v == nil {
		return "–"
	}
	if p := *v * 100; p > 99.95 && p < 100 {
		return "99.9\u00a0%" // 100 would say: never
	}
	return figures.Fixed(*v*100, 1) + "\u00a0%"
}

// stateWords is a verdict in a word or two.
func stateWords(state string) string {
	switch state {
	case analysis.InLimits.String():
		return "In limits"
	case analysis.AdjustDue.String():
		return "Adjust"
	case analysis.TooNarrow.String():
		return "Too narrow"
	case analysis.StopUsing.String():
		return "Stop using"
	}
	return "Not measured"
}

// sentence is a reason with a capital and a full stop.
func sentence(reason string) string {
	if reason == "" {
		return ""
	}
	if reason[0] >= 'a' && reason[0] <= 'z' {
		reason = string(reason[0]-'a'+'A') + reason[1:]
	}
	return strings.TrimSuffix(reason, ".") + "."
}

// odds are the forecasts' quantiles, a line for each limit.
func odds(b BrakeRecord, zone *time.Location) (lines []string) {
	for _, f := range []*analysis.Forecast{b.adjust, b.most, b.relining} {
		if f == nil || reached(b.State, f.Limit) {
			continue
		}
		var parts []string
		for _, q := range []struct {
			words        string
			cycles, date float64
		}{{"one in twenty before", f.Cycles.P05, f.DateNS.P05}, {"even odds before", f.Cycles.P50, f.DateNS.P50}, {"nineteen in twenty before", f.Cycles.P95, f.DateNS.P95}} {
			date, known := figures.When(q.date, zone)
			switch {
			case known && figures.Finite(q.cycles):
				parts = append(parts, fmt.Sprintf("%s %s (%s)", q.words, date.Format("2\u00a0Jan\u00a02006"), countCycles(q.cycles)))
			case known:
				parts = append(parts, q.words+" "+date.Format("2\u00a0Jan\u00a02006"))
			case figures.Finite(q.cycles):
				parts = append(parts, q.words+" "+countCycles(q.cycles))
			}
		}
		if len(parts) == 0 {
			continue
		}
		head := fmt.Sprintf("To %s, %s\u00a0mm: ", f.Limit, figures.Exact(f.LimitMM))
		if f.Limit == analysis.LiningForecast {
			head = "To the end of the lining: "
		}
		lines = append(lines, head+strings.Join(parts, ", "))
	}
	return lines
}

// reached reports whether a verdict says that a limit can't be proven to be kept
// any more: when it will be reached is then no question.
func reached(state, limit string) bool {
	switch limit {
	case "adjust":
		return state == analysis.AdjustDue.String() || state == analysis.StopUsing.String()
	case "max":
		return state == analysis.StopUsing.String()
	}
	return false
}

func countCycles(n float64) string {
	if n = math.Round(n); n == 1 {
		return "1 cycle"
	}
	return figures.Grouped(int64(n)) + " cycles"
}

// cycleWords is how often a brake was used in the span.
func cycleWords(b BrakeRecord) string {
	d := b.Duty
	switch {
	case len(b.Signals) == 0:
		return "not counted: the brake has no signals"
	case !slices.Contains(b.Signals, sensors.Travel.String()) && !slices.Contains(b.Signals, sensors.Released.String()):
		return fmt.Sprintf("%s, on %d days; without probe and switch full cycles and jogs can't be told apart", figures.Grouped(d.Full+d.Jogs), d.DaysInUse)
	}
	return fmt.Sprintf("%s full, %s jogs, on %d days", figures.Grouped(d.Full), figures.Grouped(d.Jogs), d.DaysInUse)
}

func plotViews(b BrakeRecord) (views []plotView) {
	add := func(svg []byte, head, text string) {
		if len(svg) > 0 {
			// Drawn by us alone; the names in it are escaped.
			views = append(views, plotView{head, text, template.URL("data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(svg))})
		}
	}
	add(b.gapPlot, "Air gap", "Air gap of "+b.Name+" over the span against its limits. Its figures are in the table below")
	add(b.cyclePlot, "Latest cycle", "Travel of "+b.Name+" in its latest cycle. Its figures are in the table below")
	return views
}

// EntryWords is an entry of the ledger in a few words.
func EntryWords(a analysis.Adjuster, e EntryBody) string {
	text := ""
	switch analysis.EntryKind(e.Kind) {
	case analysis.Reading:
		times := "once"
		if e.Repeats > 1 {
			times = strconv.Itoa(e.Repeats) + " times"
		}
		text = fmt.Sprintf("a gap of %s read by hand %s", strings.ReplaceAll(figures.Gap(value(e.GapMM), value(e.GapUMM)).String(), "\u00a0", " "), times)
	case analysis.Adjustment:
		if step, ok := a.Step(); ok {
			text = "adjusted by " + step.Signed(e.Steps)
		} else {
			text = fmt.Sprintf("adjusted by %d steps", e.Steps)
		}
	case analysis.LiningFitted:
		text = "a new lining"
		if e.ThicknessMM != nil {
			text += " of " + figures.Exact(*e.ThicknessMM) + " mm"
		}
		if e.GapMM != nil {
			text += ", at a gap of " + figures.Exact(*e.GapMM) + " mm"
		}
	case analysis.OutOfService:
		text = "out of service"
	case analysis.ReturnedToUse:
		text = "returned to service"
	case analysis.Retest:
		text = "retest: without load " + string(e.NoLoad)
		if e.WithLoad != analysis.NotTried {
			text += ", with load " + string(e.WithLoad)
		}
	case analysis.CorrectionOnly:
		return fmt.Sprintf("entry %d withdrawn", e.Corrects)
	}
	if e.Corrects != 0 {
		text += fmt.Sprintf(" (in place of entry %d)", e.Corrects)
	}
	return text
}

package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

// How much a brake's page lists.
const (
	listedCycles = 20
	listedAlarms = 30
	listedPoints = 24 // of the gap history, in its table
)

// brakeView is a brake's own page.
type brakeView struct {
	Row        rowView
	Chain      string
	ChainMore  []linkView // the other brakes of the chain
	Cautions   []string   // where the page leads to touching the brake
	Plan       *planView  // nil: none
	Wear       figures.Figure
	ByTime     bool // wear is followed over days, for no cycles are counted
	Counts     string
	Forecasts  []forecastView
	Spans      []spanView
	GapPlot    plotView
	Points     []pointView
	CyclePlot  plotView
	TimesPlot  plotView
	Times      []timesView // the oldest first
	Moves      []moveView  // of the last cycle
	Duty       []factView
	Health     []healthView
	Entries    []factView
	Levels     []figures.Fact // what was measured on the last cycle
	Cycles     []cycleView    // newest first
	History    []alarmView    // newest first
	Signals    string
	AlarmsPath string
	Sources    []sourceView
}

// linkView leads to another brake and tells how it stands.
type linkView struct {
	Name, Path, Word string
	Level            level
}

// plotView is a picture in two widths.
type plotView struct {
	Wide, Narrow string // addresses; empty where there is nothing to draw
	Text         string // in place of the picture
}

type spanView struct {
	Words, Path string
	Current     bool
}

type forecastView struct {
	Limit, Words string
	Rows         []oddsView
}

type oddsView struct{ Odds, Cycles, Date string }

type cycleView struct {
	At, AtRFC, Kind string
	Gap             figures.Figure
	Release, Set    figures.Figure
	Flags           string
}

func (s *Server) brake(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if s.byName[name] == nil {
		s.show(w, r, http.StatusNotFound, view{Title: "No such brake", Message: fmt.Sprintf("The site has no brake called %q.", name)})
		return
	}
	span, err := parseSpan(r.URL.Query().Get("span"))
	if err != nil {
		s.show(w, r, http.StatusBadRequest, view{Title: "No such span", Message: err.Error()})
		return
	}
	s.followed(w, r, func(g gathered) (view, error) {
		v, err := s.viewBrake(r.Context(), g, name, span)
		if err != nil {
			return view{}, err
		}
		return view{Title: joinWords(" – ", name+": "+v.Row.Word, s.deps.Site), Brake: v}, nil
	})
}

func (s *Server) viewBrake(ctx context.Context, g gathered, name string, span span) (*brakeView, error) {
	now := s.deps.Now()
	drawn, err := s.deps.Data.Cycles(ctx, name, 0, math.MaxInt64, drawnCycles)
	if err != nil {
		return nil, err
	}
	cycles := drawn[max(0, len(drawn)-listedCycles):]
	history, err := s.deps.Data.Alarms(ctx, name, listedAlarms)
	if err != nil {
		return nil, err
	}
	points, err := s.deps.Data.Thinned(ctx, name, span.fromNS(now), math.MaxInt64, listedPoints)
	if err != nil {
		return nil, err
	}
	filtered, err := s.deps.Data.Filtered(ctx, name, span.fromNS(now), math.MaxInt64, listedPoints)
	if err != nil {
		return nil, err
	}
	wave, hasWave, err := s.deps.Data.Waveform(ctx, name)
	if err != nil {
		return nil, err
	}

	b := g.find(name)
	v := &brakeView{
		Row: viewRow(b, now), Chain: b.brake.Chain, Cautions: cautions(b),
		Forecasts: viewForecasts(b, now), Spans: viewSpans(name, span),
		History: viewAlarms(history, now), Signals: signalWords(b.brake), AlarmsPath: "/alarms?" + url.Values{"brake": {name}}.Encode(),
	}
	v.Sources, _ = s.sources(now)
	v.Health = viewHealth(b, cycles, s.deps.Heard)
	recent, ok, err := s.recent(ctx, name)
	if err != nil {
		return nil, err
	}
	if ok {
		v.Duty = dutyFacts(b.brake.Signals, recent.Duty)
	}
	if s.deps.Ledger != nil {
		rows, err := s.deps.Ledger.Ledger(ctx, name)
		if err != nil {
			return nil, err
		}
		v.Entries = ledgerFacts(recent, report.Bodies(rows), now)
	}
	v.ChainMore = chainOf(g, b)
	if s.deps.Plan != nil {
		plan, err := s.deps.Plan(ctx, name)
		if err != nil {
			return nil, err
		}
		if v.Plan = viewPlan(g, name, plan); touches(plan) {
			v.Cautions = alerts.Cautions()
		}
		if v.Plan != nil {
			if err := s.addWork(ctx, v.Plan, name); err != nil {
				return nil, err
			}
		}
	}
	if b.judged {
		v.Counts = countWords(b.brake.Signals, b.verdict.Full, b.verdict.Jogs)
	}
	if b.foretold["adjust"] {
		v.Wear = figures.Measured(b.adjust.WearUMPerK, b.adjust.WearUUMPerK, wearDecimals(b.adjust.WearUUMPerK), "µm per 1000 cycles")
		v.ByTime = !v.Wear.Known() && analysis.Has(b.adjust.DateNS.P50)
	}
	for _, c := range slices.Backward(cycles) {
		v.Cycles = append(v.Cycles, viewCycle(c, now))
	}
	v.Points = viewPoints(points, filtered, now)
	var last store.CycleRow
	if len(cycles) > 0 {
		last = cycles[len(cycles)-1]
	}
	marks, err := s.handMarks(ctx, name, span)
	if err != nil {
		return nil, err
	}
	if len(points)+len(marks.ByHand) > 0 {
		v.GapPlot = viewPlot("/plot/gap/", name, url.Values{"span": {span.key}, "v": {plotVersion(b, last.ID, marks.latest, now)}},
			fmt.Sprintf("Air gap of %s over time against its limits. %s. Forecast: %s. The figures are in the table below.",
				name, v.Row.Picture.Text, orNone(v.Row.Outlook)))
	}
	if figures.HasTimes(cyclesOnly(drawn)) {
		v.Times = viewTimes(drawn, now)
		v.TimesPlot = viewPlot("/plot/times/", name, url.Values{"v": {fmt.Sprint(last.ID)}},
			fmt.Sprintf("Release and set times of the latest cycles of %s against their limits. Smoothed over twelve cycles: release %s, set %s. The figures are in the table below.", name, v.Row.Release, v.Row.Set))
	}
	if hasWave && len(wave.TimesNS) > 0 {
		v.Moves = viewMoves(wave.Waveform)
		v.CyclePlot = viewPlot("/plot/cycle/", name, url.Values{"v": {fmt.Sprint(wave.CycleAtNS)}},
			fmt.Sprintf("Travel of %s during its latest cycle. The figures are in the table below.", name))
	}
	if at, ok := cycleAt(cycles, wave.CycleAtNS); ok {
		v.Levels = figures.CycleFacts(at.Cycle)
	}
	return v, nil
}

// wearDecimals is to how many decimals a wear with standard uncertainty u is
// worth telling.
func wearDecimals(u float64) int {
	if u >= 5 {
		return 0
	}
	return 1
}

func cyclesOnly(rows []store.CycleRow) []analysis.Cycle {
	list := make([]analysis.Cycle, len(rows))
	for i, r := range rows {
		list[i] = r.Cycle
	}
	return list
}

// cautions are shown where somebody may go and touch the brake because of
// what the page says.
func cautions(s *standing) []string {
	due := s.judged && s.verdict.State > analysis.InLimits
	for _, a := range s.alarms {
		due = due || a.State.Active()
	}
	if !due {
		return nil
	}
	return alerts.Cautions()
}

func orNone(words string) string {
	if words == "" {
		return "none yet"
	}
	return words
}

// chainOf lists the brakes that hold the same load.
func chainOf(g gathered, s *standing) []linkView {
	var links []linkView
	for _, other := range g.brakes {
		if s.brake.Chain != "" && other.brake.Chain == s.brake.Chain && other.brake != s.brake {
			links = append(links, linkView{Name: other.brake.Name, Path: pathOf("/brake/", other.brake.Name), Word: other.word, Level: other.level})
		}
	}
	return links
}

func viewPlot(prefix, name string, query url.Values, text string) plotView {
	wide := pathOf(prefix, name) + ".svg?" + query.Encode()
	return plotView{Wide: wide, Narrow: wide + "&narrow=1", Text: text}
}

func viewForecasts(s *standing, now time.Time) []forecastView {
	var views []forecastView
	for _, f := range []struct {
		forecast analysis.Forecast
		name     string
		verb     string
	}{{s.adjust, "adjust", "adjust"}, {s.max, "max", "at its maximum"}} {
		if !s.foretold[f.name] {
			continue
		}
		v := forecastView{
			Limit: fmt.Sprintf("%s, %s mm", f.name, figures.Exact(f.forecast.LimitMM)),
			Words: figures.Tied(figures.SayForecast(f.forecast, f.verb, now)),
		}
		if t, ok := figures.When(f.forecast.DateNS.P50, now.Location()); ok && !t.After(now) {
			views = append(views, v) // it has come: there are no odds
			continue
		}
		for _, q := range []struct {
			odds         string
			cycles, date float64
		}{
			{"1 in 20 that it comes before", f.forecast.Cycles.P05, f.forecast.DateNS.P05},
			{"even odds before or after", f.forecast.Cycles.P50, f.forecast.DateNS.P50},
			{"19 in 20 that it comes before", f.forecast.Cycles.P95, f.forecast.DateNS.P95},
		} {
			row := oddsView{Odds: q.odds}
			if figures.Finite(q.cycles) && q.cycles < 1e12 {
				row.Cycles = figures.Grouped(int64(math.Round(q.cycles)))
			}
			if t, ok := figures.When(q.date, now.Location()); ok && t.Sub(now) < 5*figures.Horizon {
				row.Date = t.Format("2\u00a0Jan\u00a02006")
			}
			v.Rows = append(v.Rows, row)
		}
		if !slices.ContainsFunc(v.Rows, func(r oddsView) bool { return r.Cycles+r.Date != "" }) {
			v.Rows = nil // nothing is known yet
		}
		views = append(views, v)
	}
	return views
}

func viewCycle(c store.CycleRow, now time.Time) cycleView {
	return cycleView{At: figures.SaySince(c.AtNS, now), AtRFC: rfc(c.AtNS), Kind: c.Kind.String(),
		Gap: figures.Gap(c.GapMM, c.GapUMM), Release: figures.Milliseconds(c.ReleaseS, c.ReleaseUS), Set: figures.Milliseconds(c.SetS, c.SetUS),
		Flags: strings.ReplaceAll(strings.Join(c.Flags.Names(), ", "), "-", " ")}
}

// cycleAt is the cycle that a waveform belongs to.
func cycleAt(cycles []store.CycleRow, atNS int64) (store.CycleRow, bool) {
	for _, c := range cycles {
		if c.AtNS == atNS {
			return c, true
		}
	}
	return store.CycleRow{}, false
}

func signalWords(b *Brake) string {
	var names []string
	for _, sig := range b.Signals {
		names = append(names, sig.String())
	}
	return strings.Join(names, ", ")
}

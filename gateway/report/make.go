package report

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// Data is what a record is made from. [store.DB] is it; the page reads by the
// same methods.
type Data interface {
	Verdicts(ctx context.Context) ([]store.VerdictRow, error)
	LatestForecasts(ctx context.Context) ([]store.ForecastRow, error)
	Alarms(ctx context.Context, brake string, limit int) ([]store.AlarmRow, error)
	Cycles(ctx context.Context, brake string, fromNS, toNS int64, limit int) ([]store.CycleRow, error)
	DailyCounts(ctx context.Context, brake string, fromNS, toNS int64) ([]store.DayCount, error)
	Thinned(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]store.GapPoint, error)
	Filtered(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]store.FilteredGap, error)
	Waveform(ctx context.Context, brake string) (w store.WaveformRow, ok bool, err error)
	Ledger(ctx context.Context, brake string) ([]store.LedgerRow, error)
	WorkChecks(ctx context.Context, brake string) ([]store.WorkCheckRow, error)
	Offers(ctx context.Context, brake string) ([]store.OfferRow, error)
}

// Brake is what a record must know of a brake beyond what is stored of it.
type Brake struct {
	Settings analysis.Settings
	Crane    string
	Chain    string // name of the holding chain, empty where it is in none
	Signals  []string
}

// Deps are what records of one site are made with.
type Deps struct {
	Site     string
	SiteFile string // SHA-256 of the site file; may be empty
	Demo     string // that the data are invented, where they are
	Version  string
	Brakes   []Brake
	Data     Data
	// Plan is the adjust plan for a brake and those that hold the load with it.
	Plan func(ctx context.Context, brake string) (analysis.ChainPlan, error)
	// Sources are the devices as they are now; nil where no daemon runs here.
	Sources func() []SourceRecord
}

// Query is what a record is asked for.
type Query struct {
	Brake    string // empty: all
	From, To time.Time
	Short    bool      // condition, plan and ledger alone
	Now      time.Time // when the record is made; its location is the zone of what people read
}

// ErrNoBrake is what a query for a brake that the site doesn't have is refused
// with.
var ErrNoBrake = errors.New("the site has no such brake")

const (
	mostAlarms = 100_000 // events that are looked at, of each brake
	plotPoints = 120     // of the gap, over the span
)

// maker is one record in the making.
type maker struct {
	Deps
	Query
	verdicts  []store.VerdictRow
	forecasts []store.ForecastRow
}

// Make makes the record that a query asks for: the condition as it is now, and
// what happened between From and To.
func Make(ctx context.Context, d Deps, q Query) (*Record, error) {
	if !q.From.Before(q.To) {
		return nil, fmt.Errorf("the record's span ends at %s, before it begins at %s", q.To.Format(time.RFC3339), q.From.Format(time.RFC3339))
	}
	m := maker{Deps: d, Query: q}
	var err error
	if m.verdicts, err = d.Data.Verdicts(ctx); err != nil {
		return nil, err
	}
	if m.forecasts, err = d.Data.LatestForecasts(ctx); err != nil {
		return nil, err
	}
	r := &Record{Type: "inspection-record", Site: d.Site, Demo: d.Demo, Version: d.Version, SiteFile: d.SiteFile,
		Made: rfc(q.Now), From: rfc(q.From), To: rfc(q.To), from: q.From, to: q.To, made: q.Now,
		Cautions: alerts.Cautions(), Chains: []ChainRecord{}, Brakes: []BrakeRecord{}, Retest: retestLines()}
	told := map[string]bool{}
	for _, b := range d.Brakes {
		if q.Brake != "" && q.Brake != b.Settings.Name {
			continue
		}
		one, chain, err := m.brake(ctx, b)
		if err != nil {
			return nil, fmt.Errorf("making the record of %s: %w", b.Settings.Name, err)
		}
		r.Brakes = append(r.Brakes, one)
		if b.Chain != "" && !told[b.Chain] && chain != nil {
			told[b.Chain] = true
			r.Chains = append(r.Chains, chainRecord(b.Chain, *chain))
		}
	}
	if len(r.Brakes) == 0 && q.Brake != "" {
		return nil, fmt.Errorf("%w: %s", ErrNoBrake, q.Brake)
	}
	if q.Short {
		return r, nil
	}
	if r.Gateway, err = m.gateway(ctx); err != nil {
		return nil, err
	}
	return r, nil
}

func rfc(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func rfcNS(ns int64) string { return rfc(time.Unix(0, ns)) }

func retestLines() []RetestLine {
	var lines []RetestLine
	for _, s := range analysis.RetestSteps() {
		lines = append(lines, RetestLine{s.Do, s.Load})
	}
	return lines
}

func chainRecord(name string, c analysis.ChainPlan) ChainRecord {
	r := ChainRecord{Name: name, State: c.State.String(), Due: c.Due, Brakes: []string{}, Order: c.Order, Others: c.Others, Test: c.Test}
	for _, p := range c.Plans {
		r.Brakes = append(r.Brakes, p.Brake)
	}
	return r
}

// brake makes the record of one brake; chain is the plan for it and those that
// hold the load with it, nil where there is none.
func (m *maker) brake(ctx context.Context, b Brake) (r BrakeRecord, chain *analysis.ChainPlan, err error) {
	s := b.Settings
	r = BrakeRecord{Name: s.Name, Crane: b.Crane, Kind: string(s.Kind), Model: s.Model, Chain: b.Chain, Signals: append([]string{}, b.Signals...),
		Limits:    LimitsRecord{s.Limits.MinMM, s.Limits.TargetMM, s.Limits.AdjustMM, s.Limits.MaxMM},
		Forecasts: []json.RawMessage{}, Gaps: []GapRecord{}, Readings: []ReadingRecord{}, Ledger: []EntryBody{}, Works: []WorkRecord{},
		Alarms: []AlarmRecord{}, Health: []HealthRecord{}, Doubts: []DoubtRecord{}, settings: s}
	m.condition(&r)
	if m.Plan != nil {
		c, err := m.Plan(ctx, s.Name)
		if err != nil {
			return r, nil, err
		}
		chain = &c
		m.plan(&r, c)
	}
	entries, err := m.Data.Ledger(ctx, s.Name)
	if err != nil {
		return r, nil, err
	}
	if err := m.ledger(ctx, &r, entries); err != nil {
		return r, nil, err
	}
	if step, ok := s.Adjuster.Step(); ok {
		r.StepUnit = step.Count(1)
	}
	if m.Short {
		return r, chain, nil
	}
	if err := m.duty(ctx, &r); err != nil {
		return r, nil, err
	}
	if err := m.alarms(ctx, &r); err != nil {
		return r, nil, err
	}
	return r, chain, m.plots(ctx, &r, entries)
}

// condition fills in where the brake stands.
func (m *maker) condition(r *BrakeRecord) {
	v := analysis.Verdict{GapMM: math.NaN(), GapUMM: math.NaN(), ReleaseS: math.NaN(), SetS: math.NaN()}
	for _, row := range m.verdicts {
		if row.Brake == r.Name {
			v = row.Verdict
			r.Time = rfcNS(v.AtNS)
			r.GapMM, r.GapUMM = number(v.GapMM), number(v.GapUMM)
			r.ReleaseMS, r.ReleaseU = number(v.ReleaseS*1e3), number(v.ReleaseUS*1e3)
			r.SetMS, r.SetU = number(v.SetS*1e3), number(v.SetUS*1e3)
			r.Cycles = CountRecord{v.Full, v.Jogs}
		}
	}
	for _, f := range m.forecasts {
		if f.Brake != r.Name {
			continue
		}
		r.Forecasts = append(r.Forecasts, f.AppendJSON(nil, r.Name))
		switch one := f.Forecast; f.Limit {
		case "adjust":
			r.adjust = &one
		case "max":
			r.most = &one
		case analysis.LiningForecast:
			r.relining = &one
		}
	}
	r.verdict, r.State = v, v.State.String()
	r.Margin = figures.Margin(v, r.settings.Limits)
	r.Outlook = figures.Outlook(v, r.adjust, r.most, m.Now)
}

// plan fills in what to do, and what the lining has left.
func (m *maker) plan(r *BrakeRecord, c analysis.ChainPlan) {
	i := slices.IndexFunc(c.Plans, func(p analysis.AdjustPlan) bool { return p.Brake == r.Name })
	if i < 0 {
		return
	}
	p := c.Plans[i]
	r.Plan = &PlanRecord{Action: p.Action.String(), Due: p.Due, Steps: p.Steps, Do: p.Do, Reason: p.Reason, Note: p.Note,
		ExpectedMM: number(p.ExpectedMM), ExpectedUMM: number(p.ExpectedUMM)}
	l := &LiningRecord{StepsUsed: p.Before.StepsUsed, ThicknessMM: number(p.Before.ThicknessMM), UMM: number(p.Before.U), ToMinimumMM: number(p.Before.ToMinimumMM)}
	if p.Before.StepsTotal > 0 {
		l.StepsTotal, l.StepsLeft, l.StepsThen = p.Before.StepsTotal, &p.Before.StepsLeft, &p.After.StepsLeft
	}
	if l.StepsTotal == 0 && l.ThicknessMM == nil {
		return
	}
	none := math.NaN()
	relining := analysis.Forecast{DateNS: analysis.Quantiles{P05: none, P50: none, P95: none}}
	if r.relining != nil {
		relining = *r.relining
		l.Outlook = figures.SayForecast(relining, "a new lining", m.Now)
	}
	for _, o := range analysis.Orders(r.settings.Lining, relining, m.Now.UnixNano()) {
		one := OrderRecord{Name: o.Part.Name, Number: o.Part.Number, Quantity: max(o.Part.Quantity, 1), LeadDays: o.Part.LeadDays, Overdue: o.Overdue}
		if t, ok := figures.When(o.ByNS, m.Now.Location()); ok && t.Sub(m.Now) < figures.Horizon {
			one.By = t.Format(time.DateOnly)
		}
		l.Orders = append(l.Orders, one)
	}
	r.Lining = l
}

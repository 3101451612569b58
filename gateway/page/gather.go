package page

import (
	"context"
	"fmt"
	"hash/fnv"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// gathered is what the store says of all brakes at one moment.
type gathered struct {
	brakes  []standing       // the worst first
	gateway []store.AlarmRow // the gateway's own alarms
	events  string           // changes with every event of an alarm
}

// gather reads where every brake stands.
func (s *Server) gather(ctx context.Context) (g gathered, err error) {
	verdicts, err := s.deps.Data.Verdicts(ctx)
	if err != nil {
		return gathered{}, err
	}
	forecasts, err := s.deps.Data.LatestForecasts(ctx)
	if err != nil {
		return gathered{}, err
	}
	alarms, err := s.deps.Data.ActiveAlarms(ctx)
	if err != nil {
		return gathered{}, err
	}
	latest, err := s.deps.Data.Alarms(ctx, "", 1)
	if err != nil {
		return gathered{}, err
	}
	sum := fnv.New64a()
	for _, a := range append(latest, alarms...) {
		_, _ = fmt.Fprintln(sum, a.ID) // a hash never fails
	}
	g.events = fmt.Sprintf("%016x", sum.Sum64())
	g.brakes = make([]standing, len(s.deps.Brakes))
	at := make(map[string]*standing, len(s.deps.Brakes))
	for i := range s.deps.Brakes {
		g.brakes[i] = standing{brake: &s.deps.Brakes[i], foretold: map[string]bool{}}
		at[s.deps.Brakes[i].Name] = &g.brakes[i]
	}
	// Brakes that the store still knows but the site file no longer names are
	// not shown.
	for _, v := range verdicts {
		if b := at[v.Brake]; b != nil {
			b.verdict, b.judged = v.Verdict, true
		}
	}
	for _, f := range forecasts {
		b := at[f.Brake]
		switch {
		case b == nil:
			continue
		case f.Limit == "adjust":
			b.adjust = f.Forecast
		case f.Limit == "max":
			b.max = f.Forecast
		default:
			continue
		}
		b.foretold[f.Limit] = true
	}
	for _, a := range alarms {
		if a.Brake == "" {
			g.gateway = append(g.gateway, a)
		} else if b := at[a.Brake]; b != nil {
			if a.State.Held() {
				b.held = append(b.held, a)
				continue
			}
			b.alarms = append(b.alarms, a)
		}
	}
	for i := range g.brakes {
		g.brakes[i].judge()
	}
	sortWorstFirst(g.brakes)
	return g, nil
}

// find is the brake of that name, nil where there is none.
func (g gathered) find(name string) *standing {
	for i := range g.brakes {
		if g.brakes[i].brake.Name == name {
			return &g.brakes[i]
		}
	}
	return nil
}

// outlook is what lies ahead of the brake in words.
func (s *standing) outlook(now time.Time) string {
	adjust, most := s.forecasts()
	return figures.Outlook(s.verdict, adjust, most, now)
}

// forecasts are those to the adjusting limit and to the maximum, nil where there
// is none.
func (s *standing) forecasts() (adjust, most *analysis.Forecast) {
	if s.foretold["adjust"] {
		adjust = &s.adjust
	}
	if s.foretold["max"] {
		most = &s.max
	}
	return adjust, most
}

// margin is where the gap stands against the limit that matters, in words.
func (s *standing) margin() string {
	if !s.hasGap() {
		return ""
	}
	return figures.Margin(s.verdict, s.brake.Limits)
}

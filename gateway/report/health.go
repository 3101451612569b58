package report

import (
	"context"
	"math"
	"slices"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// alarms fills in the alarms that stood in the span, and for how long the signals
// could not be relied upon.
func (m *maker) alarms(ctx context.Context, r *BrakeRecord) error {
	events, err := m.Data.Alarms(ctx, r.Name, mostAlarms)
	if err != nil {
		return err
	}
	r.Alarms = m.stood(events)
	r.Health = m.health(r.Alarms, []analysis.Condition{analysis.SignalFault, analysis.SignalStale, analysis.SignalsDisagree}, alerts.Title)
	return nil
}

// stood are the alarms of which some part lies in the span, the oldest first.
// Events come the newest first.
func (m *maker) stood(events []store.AlarmRow) []AlarmRecord {
	list := []AlarmRecord{}
	open := map[alerts.Key]int{}
	for _, e := range slices.Backward(events) {
		i, is := open[e.Key()]
		switch {
		case e.Change == alerts.Raised && !is:
			open[e.Key()] = len(list)
			list = append(list, AlarmRecord{Condition: string(e.Condition), Title: alerts.Title(e.Condition), Signal: e.Signal, Raised: rfcNS(e.SinceNS),
				Value: number(e.Value), Limit: number(e.Limit), Unit: e.Unit, Detail: e.Detail, event: e.Event})
		case e.Change == alerts.Cleared && is:
			list[i].Cleared = rfcNS(e.AtNS)
			list[i].seconds = m.overlap(list[i].event.SinceNS, e.AtNS)
			delete(open, e.Key())
		case e.Change == alerts.Acked && is:
			list[i].By = e.By
		}
	}
	for _, i := range open {
		list[i].seconds = m.overlap(list[i].event.SinceNS, math.MaxInt64)
	}
	return slices.DeleteFunc(list, func(a AlarmRecord) bool {
		return a.event.SinceNS >= m.To.UnixNano() || a.seconds == 0 && !m.within(a.event.SinceNS)
	})
}

// overlap is how many seconds of a stretch of time lie in the span.
func (m *maker) overlap(fromNS, toNS int64) float64 {
	end := min(m.To.UnixNano(), m.Now.UnixNano())
	return math.Max(0, float64(min(toNS, end)-max(fromNS, m.From.UnixNano()))*1e-9)
}

// health is for how long conditions of signals or of the gateway stood.
func (m *maker) health(list []AlarmRecord, conditions []analysis.Condition, title func(analysis.Condition) string) []HealthRecord {
	health := []HealthRecord{}
	span := m.overlap(math.MinInt64, math.MaxInt64)
	for _, c := range conditions {
		h := HealthRecord{What: title(c)}
		var seconds float64
		for _, a := range list {
			if a.Condition == string(c) {
				h.Times++
				seconds += a.seconds
			}
		}
		h.Hours = number(seconds / 3600)
		if span > 0 {
			h.GoodPart = number(math.Max(0, 1-seconds/span))
		}
		health = append(health, h)
	}
	return health
}

// gateway fills in how gapward itself fared: its own alarms and its devices'.
func (m *maker) gateway(ctx context.Context) (g GatewayRecord, err error) {
	events, err := m.Data.Alarms(ctx, "", mostAlarms)
	if err != nil {
		return g, err
	}
	g.Alarms = m.stood(slices.DeleteFunc(events, func(a store.AlarmRow) bool { return a.Brake != "" }))
	g.Health = m.health(g.Alarms, []analysis.Condition{analysis.GatewayFault, alerts.DeviceSilent}, alerts.Title)
	if m.Sources != nil {
		g.Sources = m.Sources()
	}
	return g, nil
}

package export

import (
	"math"
	"strings"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// The metrics of a device, which is a brake. Each has a folder by what it is
// of: "cycle/gap_mm" is the latest cycle's, "state/gap_mm" the filtered one.

func cycleMetrics(r store.CycleRow) []metric {
	ms := []metric{
		{name: "cycle/id", kind: typeInt64, whole: r.ID},
		{name: "cycle/kind", kind: typeString, text: r.Kind.String()},
		{name: "cycle/flags", kind: typeString, text: strings.Join(r.Flags.Names(), ",")},
	}
	return at(r.AtNS, appendFields(ms, "cycle/", cycleFields(r)))
}

func verdictMetrics(r store.VerdictRow) []metric {
	ms := []metric{
		{name: "state/verdict", kind: typeString, text: r.State.String()},
		{name: "state/full_cycles", kind: typeInt64, whole: r.Full},
		{name: "state/jogs", kind: typeInt64, whole: r.Jogs},
	}
	return at(r.AtNS, appendFields(ms, "state/", verdictFields(r)))
}

// forecastMetrics are those of the limit to plan by; dates are dates.
func forecastMetrics(r store.ForecastRow) []metric {
	ms := []metric{{name: "forecast/id", kind: typeInt64, whole: r.ID}}
	ms = appendFields(ms, "forecast/", forecastFields(r))
	for i, m := range ms {
		if strings.HasPrefix(m.name, "forecast/date_") {
			ms[i] = metric{name: strings.TrimSuffix(m.name, "_s"), kind: typeDateTime, null: m.null, whole: int64(math.Round(m.double * 1e3))}
			if m.null {
				ms[i].whole = 0
			}
		}
	}
	return at(r.AtNS, ms)
}

// alarmMetrics is true while the condition is present and people are called for
// it. A device's alarm bears its name.
func alarmMetrics(r store.AlarmRow) []metric {
	return at(r.AtNS, []metric{alarmMetric(r.Key(), r.State.Active())})
}

func alarmMetric(k alerts.Key, active bool) metric {
	name := "alarm/" + label(string(k.Condition))
	if k.Device != "" {
		name += "/" + label(k.Device)
	}
	return metric{name: name, kind: typeBoolean, boolean: active}
}

func limitMetrics(atNS int64, l analysis.Limits) []metric {
	return at(atNS, appendFields(nil, "limit/", []field{
		{"min_mm", orUnknown(l.MinMM)}, {"target_mm", orUnknown(l.TargetMM)}, {"adjust_mm", orUnknown(l.AdjustMM)}, {"max_mm", orUnknown(l.MaxMM)},
	}))
}

// orUnknown takes a limit that isn't set for one that isn't known.
func orUnknown(mm float64) float64 {
	if mm <= 0 {
		return math.NaN()
	}
	return mm
}

func appendFields(ms []metric, folder string, fields []field) []metric {
	for _, f := range fields {
		m := metric{name: folder + f.name, kind: typeDouble, unit: unitOf(f.name), double: f.value}
		if math.IsNaN(f.value) || math.IsInf(f.value, 0) {
			m.null, m.double = true, 0
		}
		ms = append(ms, m)
	}
	return ms
}

// at gives all metrics one time.
func at(atNS int64, ms []metric) []metric {
	for i := range ms {
		ms[i].atMS = atNS / 1e6
	}
	return ms
}

// unknown takes the values away and leaves what the metrics are.
func unknown(atNS int64, ms []metric) []metric {
	for i, m := range ms {
		ms[i] = metric{name: m.name, kind: m.kind, unit: m.unit, null: true}
	}
	return at(atNS, ms)
}

// standing is what a birth certificate tells: the latest of everything.
type standing struct {
	newest    store.Newest
	cycles    map[string]store.CycleRow
	verdicts  map[string]store.VerdictRow
	forecasts map[string]store.ForecastRow
	active    map[alerts.Key]bool
}

// nodeAlarms are the alarms that the gateway itself has metrics for.
func nodeAlarms(devices []string) (keys []alerts.Key) {
	for _, c := range []analysis.Condition{analysis.GatewayFault, alerts.AlarmFlood, alerts.UrgentFlood} {
		keys = append(keys, alerts.Key{Condition: c})
	}
	for _, d := range devices {
		keys = append(keys, alerts.Key{Device: d, Condition: alerts.DeviceSilent})
	}
	return keys
}

// nodeMetrics are those of the gateway itself at its birth.
func (s *standing) nodeMetrics(bdSeq uint8, alarms []alerts.Key, atNS int64) []metric {
	ms := []metric{{name: "bdSeq", kind: typeInt64, whole: int64(bdSeq)}, {name: rebirthName, kind: typeBoolean}}
	for _, k := range alarms {
		ms = append(ms, alarmMetric(k, s.active[k]))
	}
	return at(atNS, ms)
}

// metricsOf are all metrics of a brake at its birth, those without a value
// too.
func (s *standing) metricsOf(b BrakeInfo, atNS int64) []metric {
	var ms []metric
	if c, ok := s.cycles[b.Name]; ok {
		ms = append(ms, cycleMetrics(c)...)
	} else {
		ms = append(ms, unknown(atNS, cycleMetrics(store.CycleRow{}))...)
	}
	if v, ok := s.verdicts[b.Name]; ok {
		ms = append(ms, verdictMetrics(v)...)
	} else {
		ms = append(ms, unknown(atNS, verdictMetrics(store.VerdictRow{}))...)
	}
	if f, ok := s.forecasts[b.Name]; ok {
		ms = append(ms, forecastMetrics(f)...)
	} else {
		ms = append(ms, unknown(atNS, forecastMetrics(store.ForecastRow{}))...)
	}
	for _, c := range analysis.Conditions() {
		if c != analysis.GatewayFault {
			ms = append(ms, at(atNS, []metric{alarmMetric(alerts.Key{Brake: b.Name, Condition: c}, s.active[alerts.Key{Brake: b.Name, Condition: c}])})...)
		}
	}
	return append(ms, limitMetrics(atNS, b.Limits)...)
}

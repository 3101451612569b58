package export

import (
	"github.com/prometheus/client_golang/prometheus"
	"math"
)

// series is one metric: its name, what it is, and its labels.
type series struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
}

func gauge(name, help string, labels ...string) series {
	return series{prometheus.NewDesc(name, help, labels, nil), prometheus.GaugeValue}
}

func counter(name, help string, labels ...string) series {
	return series{prometheus.NewDesc(name, help, labels, nil), prometheus.CounterValue}
}

// The series, in base units.
var (
	gapMeters       = gauge("gapward_gap_meters", "Air gap, filtered over the cycles.", "brake")
	gapUncertainty  = gauge("gapward_gap_uncertainty_meters", "Standard uncertainty of the air gap.", "brake")
	gapLimitMeters  = gauge("gapward_gap_limit_meters", "Limits of the air gap.", "brake", "limit")
	releaseSeconds  = gauge("gapward_release_seconds", "Release time, drive on to 90 % of the travel, smoothed over the cycles.", "brake")
	setSeconds      = gauge("gapward_set_seconds", "Set time, drive off to 10 % of the travel, smoothed over the cycles.", "brake")
	cyclesTotal     = counter("gapward_cycles_total", "Cycles seen.", "brake", "kind")
	lastCycle       = gauge("gapward_last_cycle_timestamp_seconds", "Time of the latest cycle.", "brake")
	wearPerCycle    = gauge("gapward_wear_meters_per_cycle", "Growth of the air gap with each cycle; absent while it can't be told from zero.", "brake")
	forecastSeconds = gauge("gapward_forecast_timestamp_seconds", "When the air gap reaches a limit, with the odds given.", "brake", "limit", "quantile")
	alarmActive     = gauge("gapward_alarm_active", "1 while the condition is present; an empty brake stands for the gateway.", "brake", "condition")
	deviceSilent    = gauge("gapward_device_silent", "1 while the device does not answer.", "device")
	signalGood      = gauge("gapward_signal_good", "1 while the signal's latest reading is good.", "brake", "signal")
	pollFailures    = counter("gapward_poll_failures_total", "Requests to a device that failed.", "device")
	exportBacklog   = gauge("gapward_export_backlog", "Rows stored and not yet delivered.", "exporter")
	exportDelivered = counter("gapward_export_delivered_total", "Rows delivered since the start.", "exporter")
	exportSetAside  = counter("gapward_export_set_aside_total", "Rows that the far end refused for good, since the start.", "exporter")
	exportFailing   = gauge("gapward_export_failing", "1 while the latest delivery failed.", "exporter")
	buildInfo       = gauge("gapward_build_info", "Always 1; the labels tell what is running.", "version", "goversion")
)

func allSeries() []series {
	return []series{gapMeters, gapUncertainty, gapLimitMeters, releaseSeconds, setSeconds, cyclesTotal, lastCycle, wearPerCycle,
		forecastSeconds, alarmActive, deviceSilent, signalGood, pollFailures, exportBacklog, exportDelivered, exportSetAside, exportFailing, buildInfo}
}

// Describe implements [prometheus.Collector].
func (m *Metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, s := range allSeries() {
		ch <- s.desc
	}
}

// Collect implements [prometheus.Collector]. A figure that is not known has no
// series, so that nobody takes an old value for a new one.
func (m *Metrics) Collect(ch chan<- prometheus.Metric) {
	// Gathered first: a slow scraper must not hold up the owner.
	for _, metric := range m.snapshot() {
		ch <- metric
	}
}

// gathering collects metrics.
type gathering []prometheus.Metric

func (g *gathering) add(s series, value float64, labels ...string) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	metric, err := prometheus.NewConstMetric(s.desc, s.kind, value, labels...)
	if err != nil {
		metric = prometheus.NewInvalidMetric(s.desc, err)
	}
	*g = append(*g, metric)
}

func (m *Metrics) snapshot() []prometheus.Metric {
	m.mu.Lock()
	defer m.mu.Unlock()
	g := make(gathering, 0, 40*len(m.brakes)+20)
	for _, b := range m.brakes {
		b.gather(&g)
	}
	for condition, on := range m.gateway {
		g.add(alarmActive, oneIf(on), "", string(condition))
	}
	for device, on := range m.silent {
		g.add(deviceSilent, oneIf(on), device)
	}
	for device, n := range m.failures {
		g.add(pollFailures, float64(n), device)
	}
	for name, p := range m.exporters {
		g.add(exportBacklog, float64(p.Backlog), name)
		g.add(exportDelivered, float64(p.Delivered), name)
		g.add(exportSetAside, float64(p.SetAside), name)
		g.add(exportFailing, oneIf(p.Err != nil), name)
	}
	g.add(buildInfo, 1, m.version, goVersion())
	return g
}

func (b *brakeState) gather(g *gathering) {
	if b.judged {
		g.add(gapMeters, meters(b.verdict.GapMM), b.label)
		g.add(gapUncertainty, meters(b.verdict.GapUMM), b.label)
		g.add(releaseSeconds, b.verdict.ReleaseS, b.label)
		g.add(setSeconds, b.verdict.SetS, b.label)
	}
	for _, l := range []struct {
		name string
		mm   float64
	}{{"min", b.Limits.MinMM}, {"target", b.Limits.TargetMM}, {"adjust", b.Limits.AdjustMM}, {"max", b.Limits.MaxMM}} {
		if l.mm > 0 {
			g.add(gapLimitMeters, meters(l.mm), b.label, l.name)
		}
	}
	g.add(cyclesTotal, float64(b.full), b.label, "full")
	g.add(cyclesTotal, float64(b.jogs), b.label, "jog")
	if b.lastNS != 0 {
		g.add(lastCycle, float64(b.lastNS)/1e9, b.label)
	}
	for limit, f := range b.forecasts {
		if limit == forecastLimit {
			g.add(wearPerCycle, f.WearUMPerK/1e9, b.label) // µm per 1000 cycles
		}
		for _, q := range []struct {
			name   string
			dateNS float64
		}{{"0.05", f.DateNS.P05}, {"0.5", f.DateNS.P50}, {"0.95", f.DateNS.P95}} {
			g.add(forecastSeconds, q.dateNS/1e9, b.label, label(limit), q.name)
		}
	}
	for condition, on := range b.active {
		g.add(alarmActive, oneIf(on), b.label, label(string(condition)))
	}
	for signal, good := range b.good {
		g.add(signalGood, oneIf(good), b.label, signal.String())
	}
}

func oneIf(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// meters turns millimetres into metres. It divides, since 1000 is exact and
// 0.001 is not: 2.8 becomes 0.0028 and nothing beside it.
func meters(mm float64) float64 { return mm / 1000 }

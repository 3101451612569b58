package export

import (
	"maps"
	"slices"
)

// The series, in base units, in the order of their names.
var (
	alarmActive     = gauge("gapward_alarm_active", "1 while the condition is present; an empty brake stands for the gateway.", "brake", "condition")
	buildInfo       = gauge("gapward_build_info", "Always 1; the labels tell what is running.", "goversion", "version")
	cyclesTotal     = counter("gapward_cycles_total", "Cycles seen.", "brake", "kind")
	deviceSilent    = gauge("gapward_device_silent", "1 while the device does not answer.", "device")
	exportBacklog   = gauge("gapward_export_backlog", "Rows stored and not yet delivered.", "exporter")
	exportDelivered = counter("gapward_export_delivered_total", "Rows delivered since the start.", "exporter")
	exportFailing   = gauge("gapward_export_failing", "1 while the latest delivery failed.", "exporter")
	exportSetAside  = counter("gapward_export_set_aside_total", "Rows that the far end refused for good, since the start.", "exporter")
	forecastSeconds = gauge("gapward_forecast_timestamp_seconds", "When the air gap reaches a limit, with the odds given.", "brake", "limit", "quantile")
	gapLimitMeters  = gauge("gapward_gap_limit_meters", "Limits of the air gap.", "brake", "limit")
	gapMeters       = gauge("gapward_gap_meters", "Air gap, filtered over the cycles.", "brake")
	gapUncertainty  = gauge("gapward_gap_uncertainty_meters", "Standard uncertainty of the air gap.", "brake")
	lastCycle       = gauge("gapward_last_cycle_timestamp_seconds", "Time of the latest cycle.", "brake")
	pollFailures    = counter("gapward_poll_failures_total", "Requests to a device that failed.", "device")
	releaseSeconds  = gauge("gapward_release_seconds", "Release time, drive on to 90 % of the travel, smoothed over the cycles.", "brake")
	setSeconds      = gauge("gapward_set_seconds", "Set time, drive off to 10 % of the travel, smoothed over the cycles.", "brake")
	signalGood      = gauge("gapward_signal_good", "1 while the signal's latest reading is good.", "brake", "signal")
	wearPerCycle    = gauge("gapward_wear_meters_per_cycle", "Growth of the air gap with each cycle; absent while it can't be told from zero.", "brake")
)

// snapshot is all that a scrape shows. It is taken first: a slow scraper must
// not hold up the owner.
type snapshot struct {
	brakes    []brakeState
	gateway   []flag // by condition
	silent    []flag // by device
	failures  []failed
	exporters []Progress
	version   string
}

type flag struct {
	name string
	on   bool
}

type failed struct {
	device string
	polls  uint64
}

func (m *Metrics) snapshot() *snapshot {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := &snapshot{brakes: slices.Clone(m.brakes), version: m.version}
	for _, condition := range slices.Sorted(maps.Keys(m.gateway)) {
		s.gateway = append(s.gateway, flag{string(condition), m.gateway[condition]})
	}
	for _, device := range slices.Sorted(maps.Keys(m.silent)) {
		s.silent = append(s.silent, flag{device, m.silent[device]})
	}
	for _, device := range slices.Sorted(maps.Keys(m.failures)) {
		s.failures = append(s.failures, failed{device, m.failures[device]})
	}
	for _, name := range slices.Sorted(maps.Keys(m.exporters)) {
		s.exporters = append(s.exporters, m.exporters[name])
	}
	return s
}

// write writes everything. A figure that is not known has no series, so that
// nobody takes an old value for a new one.
func (s *snapshot) write(x *exposition) {
	x.begin(alarmActive)
	for _, f := range s.gateway {
		x.add(oneIf(f.on), "", f.name)
	}
	s.each(func(b *brakeState) {
		for i, condition := range brakeConditions {
			x.add(oneIf(b.active&(1<<i) != 0), b.label, string(condition))
		}
	})
	x.begin(buildInfo)
	x.add(1, goVersion(), label(s.version))
	x.begin(cyclesTotal)
	s.each(func(b *brakeState) {
		x.add(float64(b.full), b.label, "full")
		x.add(float64(b.jogs), b.label, "jog")
	})
	x.begin(deviceSilent)
	for _, f := range s.silent {
		x.add(oneIf(f.on), f.name)
	}
	s.eachExporter(x, exportBacklog, func(p Progress) float64 { return float64(p.Backlog) })
	s.eachExporter(x, exportDelivered, func(p Progress) float64 { return float64(p.Delivered) })
	s.eachExporter(x, exportFailing, func(p Progress) float64 { return oneIf(p.Err != nil) })
	s.eachExporter(x, exportSetAside, func(p Progress) float64 { return float64(p.SetAside) })
	x.begin(forecastSeconds)
	s.each(func(b *brakeState) {
		for _, f := range b.forecasts {
			x.add(f.dateNS.P05/1e9, b.label, f.limit, "0.05")
			x.add(f.dateNS.P50/1e9, b.label, f.limit, "0.5")
			x.add(f.dateNS.P95/1e9, b.label, f.limit, "0.95")
		}
	})
	x.begin(gapLimitMeters)
	s.each(func(b *brakeState) {
		for _, l := range []struct {
			name string
			mm   float64
		}{{"adjust", b.limits.AdjustMM}, {"max", b.limits.MaxMM}, {"min", b.limits.MinMM}, {"target", b.limits.TargetMM}} {
			if l.mm > 0 {
				x.add(meters(l.mm), b.label, l.name)
			}
		}
	})
	s.eachJudged(x, gapMeters, func(b *brakeState) float64 { return meters(b.gapMM) })
	s.eachJudged(x, gapUncertainty, func(b *brakeState) float64 { return meters(b.gapUMM) })
	x.begin(lastCycle)
	s.each(func(b *brakeState) {
		if b.lastNS != 0 {
			x.add(float64(b.lastNS)/1e9, b.label)
		}
	})
	x.begin(pollFailures)
	for _, f := range s.failures {
		x.add(float64(f.polls), f.device)
	}
	s.eachJudged(x, releaseSeconds, func(b *brakeState) float64 { return b.releaseS })
	s.eachJudged(x, setSeconds, func(b *brakeState) float64 { return b.setS })
	x.begin(signalGood)
	s.each(func(b *brakeState) {
		for _, signal := range signalsByName {
			if b.wired&(1<<signal) != 0 {
				x.add(oneIf(b.good&(1<<signal) != 0), b.label, signal.String())
			}
		}
	})
	x.begin(wearPerCycle)
	s.each(func(b *brakeState) {
		for _, f := range b.forecasts {
			if f.limit == forecastLimit {
				x.add(f.wearUMPerK/1e9, b.label) // µm per 1000 cycles
			}
		}
	})
}

func (s *snapshot) each(do func(*brakeState)) {
	for i := range s.brakes {
		do(&s.brakes[i])
	}
}

func (s *snapshot) eachJudged(x *exposition, f family, value func(*brakeState) float64) {
	x.begin(f)
	s.each(func(b *brakeState) {
		if b.judged {
			x.add(value(b), b.label)
		}
	})
}

func (s *snapshot) eachExporter(x *exposition, f family, value func(Progress) float64) {
	x.begin(f)
	for _, p := range s.exporters {
		x.add(value(p), label(p.Exporter))
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

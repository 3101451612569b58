package export

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
)

// BrakeInfo is what the metrics must know of a brake beforehand.
type BrakeInfo struct {
	Name    string
	Limits  analysis.Limits
	Signals []sensors.Signal // those that are wired
}

// Metrics is what Prometheus sees: a snapshot in memory, so that a scrape
// touches neither the database nor a device. All methods may be called from
// any goroutine.
type Metrics struct {
	version string
	poll    *prometheus.HistogramVec

	mu        sync.Mutex
	brakes    []brakeState                // in the order of their labels
	byName    map[string]int              // where each stands there
	gateway   map[analysis.Condition]bool // alarms of the gateway itself
	silent    map[string]bool             // devices that don't answer, by name
	failures  map[string]uint64           // polls, by device
	exporters map[string]Progress
}

// brakeState is a brake's part of the snapshot. There are many of them, and
// each scrape copies all: so it's small, and what it points to isn't changed.
type brakeState struct {
	label       string // the name as a label's value
	limits      analysis.Limits
	gapMM       float64
	gapUMM      float64
	releaseS    float64
	setS        float64
	forecasts   []limitForecast // in the order of the limits; replaced as a whole
	full        int64
	jogs        int64
	lastNS      int64  // the latest cycle
	lastID      int64  // up to here cycles are counted
	active      uint32 // a bit for each of brakeConditions
	wired, good uint16 // a bit for each signal
	judged      bool
}

// limitForecast is what is shown of when a limit is reached.
type limitForecast struct {
	limit      string
	wearUMPerK float64
	dateNS     analysis.Quantiles
}

// brakeConditions are the conditions that a brake may have, and signalsByName
// the signals, in the order of their names.
var (
	brakeConditions = slices.Sorted(func(yield func(analysis.Condition) bool) {
		for _, c := range analysis.Conditions() {
			if c != analysis.GatewayFault && !yield(c) {
				return
			}
		}
	})
	signalsByName = slices.SortedFunc(slices.Values(sensors.Signals()), func(a, b sensors.Signal) int {
		return strings.Compare(a.String(), b.String())
	})
)

// pollBuckets, in seconds, reach from a fast Modbus reply on the wire to a
// timeout.
var pollBuckets = []float64{0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2.5}

// NewMetrics makes the metrics of a site. Every series whose labels are known
// beforehand is there from the start.
func NewMetrics(brakes []BrakeInfo, version string) *Metrics {
	m := &Metrics{
		version: version,
		poll: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name:    "gapward_poll_seconds",
			Help:    "Time from request to reply, or to giving up.",
			Buckets: pollBuckets,
		}, []string{"device"}),
		byName:    map[string]int{},
		gateway:   map[analysis.Condition]bool{analysis.GatewayFault: false, alerts.AlarmFlood: false, alerts.UrgentFlood: false},
		silent:    map[string]bool{},
		failures:  map[string]uint64{},
		exporters: map[string]Progress{},
	}
	labels := map[string]bool{}
	for _, info := range brakes {
		b := brakeState{label: label(info.Name), limits: info.Limits}
		if labels[b.label] {
			continue // a second series of the same name would fail the whole scrape
		}
		labels[b.label] = true
		for _, s := range info.Signals {
			b.wired |= 1 << s
		}
		m.brakes = append(m.brakes, b)
	}
	slices.SortFunc(m.brakes, func(a, b brakeState) int { return strings.Compare(a.label, b.label) })
	for _, info := range brakes {
		at, _ := slices.BinarySearchFunc(m.brakes, label(info.Name), func(b brakeState, l string) int { return strings.Compare(b.label, l) })
		m.byName[info.Name] = at
	}
	return m
}

// brake is a brake's part, nil where the site file doesn't name it.
func (m *Metrics) brake(name string) *brakeState {
	if at, known := m.byName[name]; known {
		return &m.brakes[at]
	}
	return nil
}

// label makes a name a label's value, which must be UTF-8.
func label(name string) string { return strings.ToValidUTF8(name, "\uFFFD") }

// Restore reads the snapshot from the store, at the start.
func (m *Metrics) Restore(ctx context.Context, db *store.DB) error {
	verdicts, err := db.Verdicts(ctx)
	if err != nil {
		return fmt.Errorf("restoring the metrics: %w", err)
	}
	forecasts, err := db.LatestForecasts(ctx)
	if err != nil {
		return fmt.Errorf("restoring the metrics: %w", err)
	}
	alarms, err := db.AlarmStates(ctx)
	if err != nil {
		return fmt.Errorf("restoring the metrics: %w", err)
	}
	newest, err := db.Newest(ctx)
	if err != nil {
		return fmt.Errorf("restoring the metrics: %w", err)
	}
	m.Update(&store.Batch{Verdicts: verdicts, Forecasts: forecasts, Alarms: alarms})
	m.mu.Lock()
	defer m.mu.Unlock()
	for name, at := range m.byName {
		b := &m.brakes[at]
		if b.full, b.jogs, err = db.Counts(ctx, name, 0); err != nil {
			return fmt.Errorf("restoring the metrics: %w", err)
		}
		b.lastID = newest.Cycle
		last, err := db.Cycles(ctx, name, 0, math.MaxInt64, 1)
		if err != nil {
			return fmt.Errorf("restoring the metrics: %w", err)
		}
		if len(last) > 0 {
			b.lastNS = last[0].AtNS
		}
	}
	return nil
}

// Update takes in what was committed. Brakes that the site file doesn't name
// are left out.
func (m *Metrics) Update(batch *store.Batch) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range batch.Cycles {
		b := m.brake(r.Brake)
		if b == nil || r.ID <= b.lastID {
			continue // counted already
		}
		b.lastID = r.ID
		b.lastNS = r.AtNS // the clock may have been set back
		if r.Kind == analysis.Jog {
			b.jogs++
		} else {
			b.full++
		}
	}
	for _, r := range batch.Verdicts {
		if b := m.brake(r.Brake); b != nil {
			b.gapMM, b.gapUMM, b.releaseS, b.setS, b.judged = r.GapMM, r.GapUMM, r.ReleaseS, r.SetS, true
		}
	}
	for _, r := range batch.Forecasts {
		if b := m.brake(r.Brake); b != nil {
			b.forecasts = withForecast(b.forecasts, limitForecast{label(r.Limit), r.WearUMPerK, r.DateNS})
		}
	}
	for _, r := range batch.Alarms {
		switch {
		case r.Device != "":
			if r.Condition == alerts.DeviceSilent {
				m.silent[label(r.Device)] = r.State.Active()
			}
			continue
		case r.Brake == "":
			m.gateway[r.Condition] = r.State.Active()
			continue
		}
		if b := m.brake(r.Brake); b != nil {
			if i, known := slices.BinarySearch(brakeConditions, r.Condition); known {
				b.active = b.active&^(1<<i) | uint32(oneIf(r.State.Active()))<<i
			}
		}
	}
}

// withForecast is the list with one more, in the place of that for the same
// limit. The list itself stays as it is.
func withForecast(list []limitForecast, f limitForecast) []limitForecast {
	at, there := slices.BinarySearchFunc(list, f.limit, func(one limitForecast, limit string) int { return strings.Compare(one.limit, limit) })
	list = slices.Clone(list)
	if there {
		list[at] = f
		return list
	}
	return slices.Insert(list, at, f)
}

// SetSignal says whether a signal's latest reading was good.
func (m *Metrics) SetSignal(brake string, signal sensors.Signal, good bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if b := m.brake(brake); b != nil {
		b.wired |= 1 << signal
		b.good = b.good&^(1<<signal) | uint16(oneIf(good))<<signal
	}
}

// Good reports whether the latest reading of a signal was good; before the first
// none is.
func (m *Metrics) Good(brake string, signal sensors.Signal) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	b := m.brake(brake)
	return b != nil && b.good>>signal&1 == 1
}

// ObservePoll takes in one request to a device.
func (m *Metrics) ObservePoll(device string, took time.Duration, failed bool) {
	device = label(device)
	m.poll.WithLabelValues(device).Observe(took.Seconds())
	m.mu.Lock()
	defer m.mu.Unlock()
	n := m.failures[device]
	if failed {
		n++
	}
	m.failures[device] = n // also 0, so that the series is there before the first failure
	if _, known := m.silent[device]; !known {
		m.silent[device] = false // for the same reason
	}
}

// Polled implements [sensors.Watcher].
func (m *Metrics) Polled(device string, p sensors.Poll) { m.ObservePoll(device, p.Took, p.Err != nil) }

// SetProgress takes in how a sink fares; it is what [Run] calls.
func (m *Metrics) SetProgress(p Progress) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.exporters[p.Exporter] = p
}

// SetBacklog says how many rows an exporter that reports nothing else has yet
// to deliver.
func (m *Metrics) SetBacklog(exporter string, rows int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	p := m.exporters[exporter]
	p.Exporter, p.Backlog = exporter, rows
	m.exporters[exporter] = p
}

// Handler answers scrapes, with the Go runtime's and the process's own metrics
// beside gapward's.
func (m *Metrics) Handler(lg *slog.Logger) http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(m.poll, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return scrapes{m, reg, lg}
}

func goVersion() string { return runtime.Version() }

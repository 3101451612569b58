package export

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

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
	brakes    []*brakeState // in the order of the site file
	byName    map[string]*brakeState
	gateway   map[analysis.Condition]bool // alarms of the gateway itself
	silent    map[string]bool             // devices that don't answer, by name
	failures  map[string]uint64           // polls, by device
	exporters map[string]Progress
}

// brakeState is a brake's part of the snapshot.
type brakeState struct {
	BrakeInfo
	label     string // the name as a label's value
	verdict   store.VerdictRow
	judged    bool
	forecasts map[string]store.ForecastRow // by limit
	active    map[analysis.Condition]bool
	good      map[sensors.Signal]bool
	full      int64
	jogs      int64
	lastNS    int64 // the latest cycle
	lastID    int64 // up to here cycles are counted
}

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
		byName:    map[string]*brakeState{},
		gateway:   map[analysis.Condition]bool{analysis.GatewayFault: false, alerts.AlarmFlood: false, alerts.UrgentFlood: false},
		silent:    map[string]bool{},
		failures:  map[string]uint64{},
		exporters: map[string]Progress{},
	}
	for _, info := range brakes {
		if m.byName[info.Name] != nil {
			continue // a second series of the same name would fail the whole scrape
		}
		b := &brakeState{
			BrakeInfo: info, label: label(info.Name),
			forecasts: map[string]store.ForecastRow{}, active: map[analysis.Condition]bool{}, good: map[sensors.Signal]bool{},
		}
		for _, c := range analysis.Conditions() {
			if c != analysis.GatewayFault {
				b.active[c] = false
			}
		}
		for _, s := range info.Signals {
			b.good[s] = false
		}
		m.brakes = append(m.brakes, b)
		m.byName[info.Name] = b
	}
	return m
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
	for _, b := range m.brakes {
		if b.full, b.jogs, err = db.Counts(ctx, b.Name, 0); err != nil {
			return fmt.Errorf("restoring the metrics: %w", err)
		}
		b.lastID = newest.Cycle
		last, err := db.Cycles(ctx, b.Name, 0, 1<<63-1, 1)
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
		b := m.byName[r.Brake]
		if b == nil || r.ID <= b.lastID {
			continue // counted already
		}
		b.lastID = r.ID
		b.lastNS = max(b.lastNS, r.AtNS)
		if r.Kind == analysis.Jog {
			b.jogs++
		} else {
			b.full++
		}
	}
	for _, r := range batch.Verdicts {
		if b := m.byName[r.Brake]; b != nil {
			b.verdict, b.judged = r, true
		}
	}
	for _, r := range batch.Forecasts {
		if b := m.byName[r.Brake]; b != nil {
			b.forecasts[r.Limit] = r
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
		if b := m.byName[r.Brake]; b != nil {
			b.active[r.Condition] = r.State.Active()
		}
	}
}

// SetSignal says whether a signal's latest reading was good.
func (m *Metrics) SetSignal(brake string, signal sensors.Signal, good bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if b := m.byName[brake]; b != nil {
		b.good[signal] = good
	}
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
// beside gapward's. One bad series doesn't cost the others.
func (m *Metrics) Handler(lg *slog.Logger) http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(m, m.poll, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		ErrorLog:      scrapeLog{lg},
		ErrorHandling: promhttp.ContinueOnError,
		Registry:      reg,
	})
}

// scrapeLog logs what goes wrong in a scrape.
type scrapeLog struct{ lg *slog.Logger }

func (l scrapeLog) Println(v ...any) {
	l.lg.Error("answering a Prometheus scrape", "error", strings.TrimSpace(fmt.Sprintln(v...)))
}

func goVersion() string { return runtime.Version() }

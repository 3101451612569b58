package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/export"
	"gapward/gateway/page"
	"gapward/gateway/report"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/sensors/modbus"
	"gapward/sensors/mqtt"
)

// Options are what [Run] needs beyond the site file.
type Options struct {
	Record  string            // directory to record the samples into; empty: not recorded
	Banner  string            // shown on every page: that this is a demonstration
	Version string            // shown on the page and in the metrics
	Log     *slog.Logger      //
	Started func(addr string) // called once everything runs, with the page's address; may be nil
	// Sources replaces the site file's devices in tests; nil means those.
	Sources func(w sensors.Watcher) ([]sensors.Source, error)
	// quietFor is, in tests that can't wait, how long everything may stand still
	// before the daemon counts as stuck; 0 means what each has.
	quietFor time.Duration
	// wall is, in tests, the machine's clock as the owner reads it; nil means that.
	wall func(time.Time) time.Time
}

// Run is the daemon. It goes on until ctx ends, and then stops in order: the
// sources, the pipeline once it has taken what they sent, the exporters, which
// get a few seconds, the page, the store. Where the machine's clock is set back
// by far it stops like that and begins anew by the right time.
func Run(ctx context.Context, site *configs.Site, opt Options) error {
	for {
		err := runOnce(ctx, site, opt)
		if !errors.Is(err, errSetBack) || ctx.Err() != nil {
			return err
		}
		opt.Log.Warn("beginning anew", "because", err)
		opt.Started = nil // it is told once
	}
}

// errSetBack ends a run whose times are far ahead of the machine's clock.
var errSetBack = errors.New("the machine's clock was set back by far")

func runOnce(ctx context.Context, site *configs.Site, opt Options) (err error) {
	lg := opt.Log
	down := &stack{log: lg}
	defer func() { err = errors.Join(err, down.unwind()) }()

	if err := CheckDoor(site.Page); err != nil {
		return err
	}
	// Bind first: an address in use is found before anything else is touched.
	listener, err := net.Listen("tcp", site.Page.Listen)
	if err != nil {
		return fmt.Errorf("listening for the page on %s: %w; is another gapward running, or something else on that port?", site.Page.Listen, err)
	}
	down.then("listener", time.Second, func(context.Context) error {
		if err := listener.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})

	db, err := store.Open(ctx, site.Data, lg.With("component", "store"))
	if err != nil {
		return err
	}
	down.then("store", 10*time.Second, func(context.Context) error { return db.Close() })

	pipeline, err := NewSitePipeline(site, site.AnalysisSettings())
	if err != nil {
		return err
	}
	before, err := recall(ctx, pipeline, site, db, lg)
	if err != nil {
		return err
	}
	metrics := export.NewMetrics(brakeInfos(site), opt.Version)
	if err := metrics.Restore(ctx, db); err != nil {
		return fmt.Errorf("restoring the metrics: %w", err)
	}

	names := make([]string, 0, len(site.Devices))
	for name := range site.Devices {
		names = append(names, name)
	}
	health := newWatch(names, time.Now())
	health.quietFor = opt.quietFor
	watcher := sensors.WatcherFunc(func(device string, p sensors.Poll) {
		health.Polled(device, p)
		metrics.Polled(device, p)
	})

	owned, entries, acts := make(chan struct{}), make(chan entering), make(chan acting)
	desk := &desk{DB: db, entries: entries, acts: acts, ended: owned}
	deps := page.Deps{
		Site: site.Name, Demo: opt.Banner, Brakes: pageBrakes(site), Data: told{db, health},
		Ledger: desk, Alarms: desk,
		Plan:    planner(site, db),
		Record:  Recorder(site, db, opt.Banner, opt.Version, func() []report.SourceRecord { return recordedSources(health) }),
		Health:  func() []page.SourceHealth { return pageHealth(health.health()) },
		Heard:   metrics.Good,
		Metrics: metrics.Handler(lg.With("component", "metrics")),
		Ready:   health.ready,
		Alive:   func() error { return health.alive(time.Now()) },
		Version: opt.Version, Now: time.Now, Log: lg.With("component", "page"),
	}
	open, err := door(site, &deps, listener, lg.With("component", "page"), down)
	if err != nil {
		return err
	}
	server, err := page.New(deps)
	if err != nil {
		return fmt.Errorf("making the page: %w", err)
	}
	failed := make(chan error, 1)
	down.then("page", 5*time.Second, start(func(ctx context.Context) error {
		err := server.Serve(ctx, open)
		if err != nil {
			failed <- fmt.Errorf("serving the page: %w", err)
		}
		return err
	}))

	exporters, err := sinks(site, lg)
	if err != nil {
		return err
	}
	tellers, err := notifiers(site, pageURL(site.Page, listener.Addr().String()))
	if err != nil {
		return err
	}
	observe := func(p export.Progress) {
		metrics.SetProgress(p)
		health.exported(p)
	}
	for _, s := range append(exporters, tellers...) {
		if err := deliver(ctx, down, db, s, observe, lg.With("component", "export")); err != nil {
			return err
		}
	}

	sources := opt.Sources
	if sources == nil {
		sources = func(w sensors.Watcher) ([]sensors.Source, error) {
			return DeviceSources(site.Name, site.Devices, site.Channels(), w, lg)
		}
	}
	list, err := sources(watcher)
	if err != nil {
		return err
	}
	var recorder *sensors.SampleDirectory
	if opt.Record != "" {
		names, _ := brakeNames(site)
		if recorder, err = sensors.NewSampleDirectory(opt.Record, names); err != nil {
			return fmt.Errorf("recording into %s: %w", opt.Record, err)
		}
	}

	in := make(chan arrival, 1024)
	keep := store.KeepByDefault()
	for _, s := range exporters {
		keep.Exporters = append(keep.Exporters, s.Name())
	}
	house := &owner{pipeline: pipeline, order: newOrder(holdFor(site.Devices, site.Channels()), len(list)), db: db, recorder: recorder, watch: health,
		faults: newFaults(before.own), upkeep: upkeep{keep: keep},
		log: lg.With("component", "pipeline"), entries: entries, acts: acts, committed: metrics.Update, signals: signalsTo(metrics, exporters, site)}
	house.wall, house.setBack = opt.wall, sync.OnceFunc(func() {
		select {
		case failed <- errSetBack:
		default: // it ends anyway
		}
	})
	house.faults.rule = site.Alarms.Rule(analysis.GatewayFault)
	for i, source := range list {
		if k, ok := source.(sensors.Keeper); ok && k.Keeps() {
			house.keepers, house.order.from[i].keeps = append(house.keepers, k), true
		}
	}
	house.batch = before.left
	if err := house.began(ctx, house.momentOf(time.Now(), time.Now()).wallNS); err != nil {
		return err
	}
	last := make(chan struct{}) // closed when nothing that is sent from now on is waited for
	go func() {
		defer close(owned)
		house.run(ctx, in, last)
	}()
	down.then("pipeline", 10*time.Second, func(ctx context.Context) error {
		close(last)
		return wait(ctx, owned)
	})

	sourcesCtx, stopSources := context.WithCancel(ctx)
	var running sync.WaitGroup
	for i, s := range list {
		out := make(chan []sensors.Sample, 64)
		loop := health.loop(s.Name(), pollsWithin(site, s.Name()))
		running.Go(func() {
			for samples := range out {
				health.heard(loop)
				select {
				case in <- arrival{i, samples}:
				case <-last: // a source that doesn't end in time isn't heard any more
				}
			}
		})
		running.Go(func() {
			defer close(out)
			if err := s.Run(sourcesCtx, out); err != nil {
				lg.Error("a device is given up", "device", s.Name(), "error", err)
				for device := range strings.SplitSeq(s.Name(), "+") {
					health.ended(device, err, time.Now())
				}
				loop.over.Store(true)
			}
		})
	}
	down.then("sources", 5*time.Second, func(ctx context.Context) error {
		stopSources()
		ended := make(chan struct{})
		go func() { running.Wait(); close(ended) }()
		return wait(ctx, ended)
	})

	lg.Info("running", "site", site.Name, "brakes", len(site.Brakes), "devices", len(list), "page", pageURL(site.Page, listener.Addr().String()))
	if opt.Started != nil {
		opt.Started(listener.Addr().String())
	}
	manager, err := newSupervisor(os.Getenv, os.Getpid())
	if err != nil {
		return err
	}
	if manager != nil {
		down.then("service manager", time.Second, start(func(ctx context.Context) error {
			return manager.watch(ctx, func() error { return health.alive(time.Now()) }, lg)
		}))
	}
	select {
	case <-ctx.Done():
		lg.Info("stopping")
		return nil
	case err := <-failed:
		if manager != nil {
			manager.anew.Store(errors.Is(err, errSetBack))
		}
		return err
	}
}

// start runs f until the returned stop is called, which waits for it.
func start(f func(context.Context) error) (stop func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	var err error
	go func() {
		defer close(done)
		err = f(ctx)
	}()
	return func(ctx context.Context) error {
		cancel()
		if e := wait(ctx, done); e != nil {
			return e
		}
		return err
	}
}

func wait(ctx context.Context, done <-chan struct{}) error {
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return errors.New("it did not end in time")
	}
}

// DeviceSources makes the sources that read a site's channels from its devices:
// one for each Modbus address and one for each broker. The site's name is part
// of what a broker knows us by.
func DeviceSources(site string, devices map[string]sensors.Device, channels []sensors.Channel, w sensors.Watcher, lg *slog.Logger) ([]sensors.Source, error) {
	lg = lg.With("component", "sensors")
	polled, byBroker := map[string]sensors.Device{}, map[string]sensors.Device{}
	for name, d := range devices {
		if d.MQTT != "" {
			byBroker[name] = d
		} else {
			polled[name] = d
		}
	}
	on := map[string][]sensors.Channel{}
	var modbusChannels []sensors.Channel
	for _, c := range channels {
		on[c.Wiring.Device] = append(on[c.Wiring.Device], c)
		if _, ok := polled[c.Wiring.Device]; ok {
			modbusChannels = append(modbusChannels, c)
		}
	}
	list, err := modbus.Sources(polled, modbusChannels, w, lg)
	if err != nil {
		return nil, err
	}
	for name, d := range byBroker {
		if len(on[name]) == 0 {
			continue
		}
		s, err := mqtt.New(name, d, on[name], w, lg, mqtt.Options{Site: site})
		if err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	return list, nil
}

// signalsTo shows the metrics how good the signals are, and tells the exporters
// that have devices of their own which brakes are silent.
func signalsTo(m *export.Metrics, exporters []export.Sink, site *configs.Site) func(*Pipeline) {
	type listener interface {
		SetSilent(brake string, silent bool)
	}
	var listeners []listener
	for _, x := range exporters {
		if l, ok := x.(listener); ok {
			listeners = append(listeners, l)
		}
	}
	return func(p *Pipeline) {
		for i, b := range site.Brakes {
			for _, s := range sensors.Signals() {
				if good, present := p.Good(i, s); present {
					m.SetSignal(b.Name, s, good)
				}
			}
			for _, l := range listeners {
				l.SetSilent(b.Name, p.Silent(i))
			}
		}
	}
}

func brakeInfos(site *configs.Site) (list []export.BrakeInfo) {
	for _, b := range site.Brakes {
		list = append(list, export.BrakeInfo{Name: b.Name, Limits: b.Limits, Signals: wired(b)})
	}
	return list
}

func wired(b configs.Brake) (list []sensors.Signal) {
	for _, s := range sensors.Signals() {
		if _, ok := b.Signals.Of(s); ok {
			list = append(list, s)
		}
	}
	return list
}

func pageBrakes(site *configs.Site) (list []page.Brake) {
	chain := map[string]string{}
	for _, c := range site.Chains {
		for _, name := range c.Order {
			chain[name] = c.Name
		}
	}
	for _, b := range site.Brakes {
		list = append(list, page.Brake{Name: b.Name, Crane: b.Crane, Kind: string(b.Kind), Model: b.Model,
			Limits: b.Limits, Timing: b.Timing.WithDefaults(), Chain: chain[b.Name], Signals: wired(b)})
	}
	return list
}

func pageHealth(devices []DeviceHealth) (list []page.SourceHealth) {
	for _, d := range devices {
		h := page.SourceHealth{Device: d.Device, OK: d.OK, Since: d.Since}
		switch {
		case d.Err != nil:
			h.Error = d.Err.Error()
		case !d.Heard:
			h.Error = "nothing heard yet"
		}
		list = append(list, h)
	}
	return list
}

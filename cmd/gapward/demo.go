package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/simulator"
	"gapward/simulator/field"
)

//go:embed demo.yaml
var demoSite []byte

type demoCommand struct {
	Listen string `default:"127.0.0.1:8480" placeholder:"ADDR" help:"Loopback address of the page; port 0 takes a free one."`
	Data   string `placeholder:"DIR" help:"Keep the data in this directory, which must not have any yet. Otherwise they are thrown away at the end."`
	Debug  bool   `help:"Log what the daemon does."`
}

// Help says what is to be seen, and shows an example.
func (demoCommand) Help() string {
	return `Four simulated brakes on three cranes, behind Modbus TCP and an embedded MQTT broker on loopback; 90 days of history, made in seconds; then live, in continuous use: within two minutes a gap moves, a forecast changes and alarms come. All data are invented.

Example:
  gapward demo --listen 127.0.0.1:8480`
}

const demoBanner = "Demonstration: simulated hoists, invented data"

// Run shows the demonstration until it is interrupted.
func (c *demoCommand) Run(ctx context.Context, io streams) (err error) {
	site, problems := configs.Parse("demo.yaml", demoSite, configs.Run)
	if len(problems) > 0 {
		return fmt.Errorf("the demonstration's own site file: %v", problems[0])
	}
	if err := configs.CheckListen(c.Listen); err != nil {
		return usage(fmt.Errorf("--listen %w", err))
	}
	site.Page.Listen = c.Listen
	if err := free(c.Listen); err != nil { // before the history is made
		return err
	}
	if site.Data, err = demoData(c.Data); err != nil {
		return err
	}
	if c.Data == "" {
		defer os.RemoveAll(site.Data)
	}
	lg := slog.New(slog.DiscardHandler)
	if c.Debug {
		lg = logger(io.err, true)
	}

	fmt.Fprintf(io.out, "%s.\nMaking %d days of history …\n", demoBanner, historyDays)
	began := time.Now()
	plant, err := makeHistory(ctx, site, began, newProgress(io.err, "history"), io)
	if err != nil {
		return fmt.Errorf("making the history: %w", err)
	}

	broker, err := field.StartBroker("127.0.0.1:0", lg)
	if err != nil {
		return fmt.Errorf("starting the MQTT broker: %w", err)
	}
	defer func() { err = errors.Join(err, broker.Close()) }()
	if err := goLive(plant, time.Now()); err != nil {
		return fmt.Errorf("going live: %w", err)
	}
	play, stop := context.WithCancel(ctx)
	defer stop()
	devices, err := standIn(play, site, plant, broker, lg)
	if err != nil {
		return err
	}
	go happenings(play, plant, lg)

	err = gateway.Run(ctx, site, gateway.Options{Banner: demoBanner, Version: release, Log: lg, Started: func(addr string) {
		fmt.Fprintf(io.out, "Ready after %.1f s.\n\n  The page     http://%s/\n  The metrics  http://%s/metrics\n  MQTT out     mqtt://%s, topics gapward/#\n\nStop with Ctrl-C.\n",
			time.Since(began).Seconds(), addr, addr, broker.Addr())
	}})
	stop()
	return errors.Join(err, devices())
}

// free reports an address that can't be listened on.
func free(addr string) error {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("the page can't be served on %s: %w; name another address with --listen", addr, err)
	}
	return l.Close()
}

// demoData is the directory for the data: the one asked for, which must not
// have any yet, or a temporary one.
func demoData(dir string) (string, error) {
	if dir == "" {
		tmp, err := os.MkdirTemp("", "gapward-demo-")
		if err != nil {
			return "", fmt.Errorf("making a directory for the data: %w", err)
		}
		return tmp, nil
	}
	if files, err := os.ReadDir(dir); err == nil && len(files) > 0 {
		return "", usage(fmt.Errorf("--data %s is not empty, and the demonstration makes its own history; name a new directory", dir))
	}
	return filepath.Clean(dir), nil
}

// standIn starts the simulated devices on free ports and has the site file's
// devices point there. The function returned waits for their end, which comes
// with that of ctx.
func standIn(ctx context.Context, site *configs.Site, plant *simulator.Plant, broker *field.Broker, lg *slog.Logger) (wait func() error, err error) {
	for name, d := range site.Devices {
		if d.MQTT != "" {
			d.MQTT = "mqtt://" + broker.Addr()
		} else {
			d.Modbus = "tcp://127.0.0.1:0"
		}
		site.Devices[name] = d
	}
	site.Export.MQTT.URL = "mqtt://" + broker.Addr()
	f, err := field.New(field.Config{Devices: site.Devices, Channels: site.Channels(), Plant: plant, Log: lg})
	if err != nil {
		return nil, err
	}
	for name, d := range site.Devices {
		if d.Modbus != "" {
			d.Modbus = "tcp://" + f.Addr(name)
			site.Devices[name] = d
		}
	}
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	return func() error { return <-ended }, nil
}

// happenings let things go wrong and be put right while the demonstration
// runs: a brake that fails to release once, a broken wire, and an adjustment
// whenever the main brake has gone well beyond its limit.
func happenings(ctx context.Context, plant *simulator.Plant, lg *slog.Logger) {
	began := time.Now()
	scenario := simulator.Scenario{
		{After: 45 * time.Second, Brake: "trolley-3/hoist", Fault: simulator.NotFreeing, Lasts: 12 * time.Second},
		{After: 200 * time.Second, Brake: "gantry-1/hoist", Fault: simulator.WireBreak, Lasts: 25 * time.Second},
	}
	for _, e := range scenario.From(began) {
		if err := plant.Apply(e); err != nil {
			lg.Error("the demonstration's scenario", "error", err)
		}
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-time.After(5 * time.Second):
		}
		if gapMM, _ := plant.GapMM(0); gapMM > 2.9 {
			if err := plant.Apply(simulator.Event{Brake: "quay-2/main", Fault: simulator.Adjusted, Amount: 1}); err != nil {
				lg.Error("the demonstration's scenario", "error", err)
			}
		}
	}
}

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"gapward/configs"
	"gapward/simulator"
	"gapward/simulator/field"
)

type simulateCommand struct {
	Site     string  `arg:"" placeholder:"SITE.yaml" help:"Site file, whose devices are stood in for."`
	Scenario string  `placeholder:"FILE" help:"What goes wrong, and when: YAML, see below."`
	Seed     uint64  `default:"1" help:"Another seed, another course of events."`
	Wear     float64 `default:"1" help:"How many times faster than usual the linings wear."`
}

// Help describes scenarios, and shows an example.
func (simulateCommand) Help() string {
	return `Answers at the addresses, registers, scales and topics of the site file, as invented hoists in continuous use. MQTT devices need a broker to be running. A serial port that exists is opened; where there is none, a pseudo terminal is made and linked there (Linux), to be read by gapward on the same machine.

A scenario lists events:
  events:
    - {after: 2m, brake: quay-2/main, fault: not-freeing, lasts: 30s}
    - {after: 5m, brake: quay-2/main, fault: adjusted, amount: 1.0}
Faults: wear-fast, probe-bumped, probe-frozen, wire-break, device-silent, not-freeing, dragging, not-setting, adjusted, new-lining, clock-off, slow-network.

While it runs, lines on standard input do the same at once, and each is answered with a line:
  probe-bumped quay-2/main 0.4
  dragging quay-2/main 0.5 lasts 2m
  not-freeing quay-2/main
  off not-freeing quay-2/main
  help

Example:
  gapward simulate configs/kestrel-quay.yaml --scenario scenario.yaml`
}

// Run stands in for the devices until it is interrupted.
func (c *simulateCommand) Run(ctx context.Context, io streams) error {
	site, err := loadSite(c.Site, configs.Run, io.err)
	if err != nil {
		return err
	}
	if !(c.Wear > 0 && c.Wear <= 1e6) {
		return usage(fmt.Errorf("--wear is %g; it must lie above 0, up to 1e6", c.Wear))
	}
	if len(site.Channels()) == 0 {
		return usage(errors.New("no signal of the site file is read from a device; there is nothing to stand in for"))
	}
	now := time.Now()
	specs := simulator.SpecsFor(site.Channels(), simulator.ContinuousDuty(), c.Seed, func(name string) float64 {
		l := site.Brakes[site.BrakeIndex(name)].Limits
		return l.TargetMM + 0.5*(l.AdjustMM-l.TargetMM)
	})
	for i := range specs {
		specs[i].Params.WearUM *= c.Wear
	}
	plant, err := simulator.NewPlant(specs, now, c.Seed)
	if err != nil {
		return fmt.Errorf("making the simulated hoists: %w", err)
	}
	if c.Scenario != "" {
		data, err := os.ReadFile(c.Scenario)
		if err != nil {
			return usage(fmt.Errorf("reading the scenario: %w", err))
		}
		events, err := simulator.ParseScenario(c.Scenario, data)
		if err != nil {
			return usage(err)
		}
		for _, e := range events.From(now) {
			if err := plant.Apply(e); err != nil {
				return usage(fmt.Errorf("%s: %w", c.Scenario, err))
			}
		}
	}
	lg := logger(io.err, false)
	f, err := field.New(field.Config{Devices: site.Devices, Channels: site.Channels(), Plant: plant, Log: lg})
	if err != nil {
		return err
	}
	names := make([]string, 0, len(site.Devices))
	for name := range site.Devices {
		names = append(names, name)
	}
	slices.Sort(names)
	fmt.Fprintf(io.out, "Standing in for %s of %s. Everything it shows is invented. Stop with Ctrl-C.\n", count(len(names), "device"), site.Name)
	for _, name := range names {
		d := site.Devices[name]
		fmt.Fprintf(io.out, "  %-16s %s%s\n", name, d.Modbus, d.MQTT)
	}
	if io.in != nil {
		letRunInBackground()
		go func() {
			if err := f.Obey(ctx, io.in, io.out); err != nil {
				lg.Info("no more commands are taken", "error", err)
			}
		}()
	}
	return f.Run(ctx)
}

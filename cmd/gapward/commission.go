package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"gapward/configs"
	"gapward/gateway/commission"
)

type commissionCommand struct {
	Site    string        `arg:"" placeholder:"SITE.yaml" help:"Site file to be proven."`
	By      string        `placeholder:"NAME" help:"Who does it, for the record; asked for if left out."`
	Brake   []string      `placeholder:"NAME" help:"Only this brake; may be given several times."`
	Cycles  int           `default:"5" help:"Full cycles wanted of each brake, 2 to 100."`
	Auto    time.Duration `placeholder:"DURATION" help:"Ask nobody: watch all brakes for so long at most, 60s say."`
	Gauge   []string      `placeholder:"BRAKE=SET,RELEASED" sep:"none" help:"Depths by gauge in mm, brake set and released; once for each repeat."`
	GaugeU  float64       `name:"gauge-u-mm" default:"0" help:"Standard uncertainty of the gauge's calibration, mm."`
	Out     string        `default:"." type:"existingdir" placeholder:"DIR" help:"Directory for the record."`
	Verbose bool          `help:"Log what the devices' connections do."`
}

// Help says what is done, and shows an example.
func (commissionCommand) Help() string {
	return `Walks every channel of the site file on the live system: asks you to let each hoist stand, to run it a short way with the load landed and the hook secured, and to measure the gap with a depth gauge. It proves that each channel answers as often as it must, and its sign, scale, span, noise, plateaus and times, travel, drive and switch against each other, and the probe against the gauge. A wrong register, word order, scale or sign, swapped channels, an inverted contact and the like are named, with what to do.

It reads, and never writes to a device. On a serial line stop the daemon first: a line has one master.

The record is written as HTML, to be printed and signed, and as JSON.
Exit codes: 0 no channel failed, 3 at least one did. What is not proven is said so; a travel's scale is proven by the gauge alone.

Example:
  gapward commission configs/kestrel-quay.yaml --by "A. Fitter" --brake quay-2/main`
}

// Run proves a site file.
func (c *commissionCommand) Run(ctx context.Context, std streams) error {
	if c.Cycles < 2 || c.Cycles > 100 {
		return usage(fmt.Errorf("--cycles is %d; write 2 to 100", c.Cycles))
	}
	if c.Auto < 0 || c.GaugeU < 0 {
		return usage(errors.New("--auto and --gauge-u-mm can't be negative"))
	}
	gauge, err := gaugeReadings(c.Gauge)
	if err != nil {
		return usage(err)
	}
	site, err := loadSite(c.Site, configs.Run, std.err)
	if err != nil {
		return err
	}
	for _, name := range c.Brake {
		if site.BrakeIndex(name) < 0 {
			return usage(fmt.Errorf("--brake %s: there is no brake of that name in %s", name, c.Site))
		}
	}
	lg := logger(io.Discard, false)
	if c.Verbose {
		lg = logger(std.err, true)
	}
	report, err := commission.Run(ctx, site, commission.Options{
		By: c.By, Version: release + ", commit " + commit(), Brakes: c.Brake, Cycles: c.Cycles, Auto: c.Auto,
		Gauge: gauge, GaugeUMM: c.GaugeU, In: std.in, Out: std.out, Log: lg,
	})
	switch {
	case errors.Is(err, commission.ErrNobody), errors.Is(err, commission.ErrNothing):
		return usage(err)
	case err != nil:
		return fmt.Errorf("commissioning %s: %w", site.Name, err)
	}
	fmt.Fprintln(std.out)
	if err := report.Summary(std.out); err != nil {
		return fmt.Errorf("writing the summary: %w", err)
	}
	html, data, err := report.Save(c.Out)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "The record is in %s, to be printed and signed, and in %s.\n", html, data)
	if report.Failed > 0 {
		return &coded{code: exitAct}
	}
	return nil
}

// gaugeReadings reads BRAKE=SET,RELEASED.
func gaugeReadings(list []string) (map[string][][2]float64, error) {
	gauge := map[string][][2]float64{}
	for _, text := range list {
		name, depths, ok := strings.Cut(text, "=")
		if !ok || name == "" {
			return nil, fmt.Errorf("--gauge %s: write BRAKE=SET,RELEASED, such as quay-2/main=42.10,40.05", text)
		}
		pair, err := commission.ParseDepths(strings.ReplaceAll(depths, ",", " "))
		if err != nil {
			return nil, fmt.Errorf("--gauge %s: %w", text, err)
		}
		gauge[name] = append(gauge[name], pair)
	}
	return gauge, nil
}

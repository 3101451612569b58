package main

import (
	"context"
	"io"
	"log/slog"
	"os"
	"runtime/debug"

	"gapward/configs"
	"gapward/gateway"
)

type runCommand struct {
	Config string `required:"" placeholder:"SITE.yaml" help:"Site file."`
	Record string `placeholder:"DIR" help:"Record every sample into this directory, to be replayed."`
	Debug  bool   `help:"Log what is of interest only when something is being looked for."`
}

// Help shows an example.
func (runCommand) Help() string {
	return `Runs until it is interrupted. gapward reads, and never writes to a device.

Example:
  gapward run --config configs/kestrel-quay.yaml`
}

// Run runs the daemon.
func (c *runCommand) Run(ctx context.Context, io streams) error {
	site, err := loadSite(c.Config, configs.Run, io.err)
	if err != nil {
		return err
	}
	// Most of what the daemon holds it holds for good, and it makes little waste:
	// collecting four times as often costs next to nothing and keeps a small box
	// small. What it took to start is given back.
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(25)
	}
	return gateway.Run(ctx, site, gateway.Options{Record: c.Record, Version: release, Log: logger(io.err, c.Debug),
		Started: func(string) { debug.FreeOSMemory() }})
}

// logger writes key=value lines; the service manager adds the time where it
// takes standard error.
func logger(w io.Writer, debug bool) *slog.Logger {
	opts := &slog.HandlerOptions{Level: slog.LevelInfo}
	if debug {
		opts.Level = slog.LevelDebug
	}
	if os.Getenv("JOURNAL_STREAM") != "" {
		opts.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}
	}
	return slog.New(slog.NewTextHandler(w, opts))
}

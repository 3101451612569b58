package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/sensors"
)

type replayCommand struct {
	Config  string   `required:"" placeholder:"SITE.yaml" help:"Site file. Its signals need no device, and may be left out."`
	Samples []string `xor:"recording" required:"" sep:"none" placeholder:"F.csv" help:"Recorded signals: time,brake,signal,value. A file, or a directory that run recorded into; may be given several times, in the order of time."`
	Cycles  string   `xor:"recording" required:"" placeholder:"F.csv" help:"Measured cycles: time,brake,gap_mm,gap_u_mm,release_ms,set_ms."`
}

// Help says what comes out, and shows an example.
func (replayCommand) Help() string {
	return `Prints JSON Lines to standard output: cycles (with --samples), changes of alarms, and forecasts; at the end the forecast of each brake as it stands.

Example:
  gapward replay --config configs/replay.yaml --samples recording.csv > results.jsonl
  gapward replay --config site.yaml --samples recording/ > results.jsonl`
}

// Run replays a recording.
func (c *replayCommand) Run(ctx context.Context, io streams) error {
	site, err := loadSite(c.Config, configs.Replay, io.err)
	if err != nil {
		return err
	}
	size := sizeOf(append(c.Samples, c.Cycles))
	show := newProgress(io.err, "replaying")
	out := bufio.NewWriterSize(io.out, 1<<16)
	err = gateway.Replay(ctx, site, gateway.Recording{Samples: c.Samples, Cycles: c.Cycles, Warn: func(text string) { fmt.Fprintln(io.err, "gapward: "+text) }}, out, func(bytes int64) {
		if size > 0 {
			show.at(float64(bytes) / float64(size))
		}
	})
	show.done()
	if e := out.Flush(); err == nil && e != nil {
		err = fmt.Errorf("writing the results: %w", e)
	}
	var line *sensors.LineError
	if errors.As(err, &line) || errors.Is(err, os.ErrNotExist) {
		return usage(err)
	}
	return err
}

// sizeOf is how many bytes there are to be read; 0 where that can't be told.
func sizeOf(paths []string) (size int64) {
	for _, path := range paths {
		files, err := sensors.SampleFiles(path)
		if err != nil {
			continue
		}
		for _, f := range files {
			if info, err := os.Stat(f); err == nil {
				size += info.Size()
			}
		}
	}
	return size
}

// progress shows how far long work has come, on a terminal only.
type progress struct {
	to    *os.File // nil: not a terminal
	what  string
	shown time.Time
}

func newProgress(w any, what string) *progress {
	p := &progress{what: what}
	if f, ok := w.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			p.to = f
		}
	}
	return p
}

// at shows a share between 0 and 1, ten times a second at most.
func (p *progress) at(share float64) {
	if p.to == nil || time.Since(p.shown) < 100*time.Millisecond {
		return
	}
	p.shown = time.Now()
	fmt.Fprintf(p.to, "\r%s %3.0f %%", p.what, 100*share)
}

// done clears the line.
func (p *progress) done() {
	if p.to != nil && !p.shown.IsZero() {
		fmt.Fprintf(p.to, "\r%*s\r", len(p.what)+6, "")
	}
}

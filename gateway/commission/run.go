package commission

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/sensors"
)

// Options are what [Run] needs beyond the site file.
type Options struct {
	By       string                  // who does it; asked for when empty and somebody can be asked
	Version  string                  // of gapward
	Brakes   []string                // only these; empty: all of the site
	Cycles   int                     // full cycles wanted of each brake; 0 means DefaultCycles
	Auto     time.Duration           // ask nobody and watch all brakes at once for so long; 0: walk and ask
	Gauge    map[string][][2]float64 // depths by brake, set and released, mm, where nobody is asked
	GaugeUMM float64                 // standard uncertainty of the gauge's calibration, mm
	In       io.Reader               // answers, where somebody is asked
	Out      io.Writer               // questions and progress
	Log      *slog.Logger
	// Patience is how long to wait for one brake's cycles when somebody is
	// asked; 0 means three minutes.
	Patience time.Duration
}

// DefaultCycles is how many full cycles of each brake are wanted.
const DefaultCycles = 5

func (o Options) withDefaults() Options {
	if o.Cycles <= 0 {
		o.Cycles = DefaultCycles
	}
	if o.Patience <= 0 {
		o.Patience = 3 * time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// ErrNothing is the error of a site file with no channel to be proven.
var ErrNothing = errors.New("no signal of the site file is read from a device; there is nothing to commission")

// Run proves the channels of a site on the live system and returns the record.
// An error means that it could not be done, not that something failed the
// proof.
func Run(ctx context.Context, site *configs.Site, opt Options) (*Report, error) {
	opt = opt.withDefaults()
	channels, err := chosen(site, opt.Brakes)
	if err != nil {
		return nil, err
	}
	g := newGatherer(channels)
	w := sensors.WatcherFunc(g.Polled)
	sources, err := gateway.DeviceSources(site.Name+" commissioning", ownSessions(site.Devices), rawChannels(channels), w, opt.Log)
	if err != nil {
		return nil, err
	}
	s := &session{site: site, opt: opt, g: g, channels: channels, began: time.Now()}
	if err := s.readGauge(); err != nil {
		return nil, err
	}

	reading, stop := context.WithCancel(ctx)
	var running, taking sync.WaitGroup
	out := make(chan []sensors.Sample, 64)
	for _, source := range sources {
		running.Go(func() {
			if err := source.Run(reading, out); err != nil {
				opt.Log.Error("a device is given up", "device", source.Name(), "error", err)
			}
		})
	}
	taking.Go(func() {
		for samples := range out {
			g.take(samples)
		}
	})
	if opt.Auto > 0 {
		err = s.watch(ctx)
	} else {
		err = s.walk(ctx)
	}
	stop()
	running.Wait()
	close(out)
	taking.Wait()
	for _, source := range sources {
		g.heard(source)
	}
	if err != nil {
		return nil, err
	}
	r := prove(site, g.evidence(), opt.Cycles)
	r.By, r.Version, r.Began, r.Ended = s.opt.By, opt.Version, s.began.UTC().Truncate(time.Second), time.Now().UTC().Truncate(time.Second)
	return &r, nil
}

// chosen are the channels of the brakes that are wanted.
func chosen(site *configs.Site, brakes []string) ([]sensors.Channel, error) {
	all := site.Channels()
	if len(brakes) == 0 {
		if len(all) == 0 {
			return nil, ErrNothing
		}
		return all, nil
	}
	var list []sensors.Channel
	for _, name := range brakes {
		if site.BrakeIndex(name) < 0 {
			return nil, fmt.Errorf("there is no brake named %q in %s", name, site.File())
		}
		n := len(list)
		for _, c := range all {
			if c.Name == name {
				list = append(list, c)
			}
		}
		if len(list) == n {
			return nil, fmt.Errorf("%s: %w", name, ErrNothing)
		}
	}
	return list, nil
}

// session is a commissioning under way.
type session struct {
	site     *configs.Site
	opt      Options
	g        *gatherer
	channels []sensors.Channel
	began    time.Time
}

// brakes are the brakes that are proven, in the order of the channels.
func (s *session) brakes() (list []brakeID) {
	for _, c := range s.channels {
		if len(list) == 0 || list[len(list)-1].index != c.Brake {
			list = append(list, brakeID{c.Brake, c.Name})
		}
	}
	return list
}

type brakeID struct {
	index int32
	name  string
}

// say writes to the person. That nobody reads it is no reason to stop.
func (s *session) say(format string, args ...any) { fmt.Fprintf(s.opt.Out, format+"\n", args...) }

// lookEvery is how often it's looked how many cycles there were.
const lookEvery = time.Second

// enough reports whether a brake was driven often enough for want full cycles.
// The first is never whole, as what was before it isn't known, and one may be a
// jog.
func (s *session) enough(b brakeID, want int) bool {
	n, countable := s.g.driven(b.index)
	return countable && n >= want+2
}

// settleFor is how long to go on watching once all cycles wanted were seen:
// the last one's rest belongs to the proof too.
const settleFor = 2 * time.Second

// watch looks on for as long as was asked for, or until every brake has had its
// cycles.
func (s *session) watch(ctx context.Context) error {
	s.say("Watching %s of %s for %v at most. Nobody is asked, and nothing is written to any device.", plural(len(s.channels), "channel"), s.site.Name, s.opt.Auto)
	end := time.After(s.opt.Auto)
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-end:
			return nil
		case <-look.C:
		}
		enough := true
		for _, b := range s.brakes() {
			enough = enough && s.enough(b, s.opt.Cycles)
		}
		if enough {
			return sleep(ctx, settleFor)
		}
	}
}

// sleep waits, or returns why not.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Summary writes what was found for a terminal: a line for each channel, and
// below it what isn't well.
func (r *Report) Summary(w io.Writer) error {
	var b strings.Builder
	for _, brake := range r.Brakes {
		fmt.Fprintf(&b, "%s: %s\n", brake.Name, plural(brake.Cycles, "full cycle"))
		for _, c := range brake.Channels {
			fmt.Fprintf(&b, "  %-11s %-10s %s of %s\n", c.Signal, c.Verdict, c.Where, c.Device)
			for _, k := range c.Checks {
				switch k.Verdict {
				case Failed:
					fmt.Fprintf(&b, "      FAILED  %s: %s.\n              Looks like: %s.\n              %s\n", k.Name, k.Found, k.Looks, k.Do)
				case NotProven:
					fmt.Fprintf(&b, "      open    %s: %s. %s\n", k.Name, k.Found, k.Do)
				}
			}
		}
	}
	fmt.Fprintf(&b, "%d of %s passed, %d failed, %d not proven.\n", r.Passed, plural(r.Passed+r.Unproven+r.Failed, "channel"), r.Failed, r.Unproven)
	_, err := io.WriteString(w, b.String())
	return err
}

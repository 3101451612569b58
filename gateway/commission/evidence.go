package commission

import (
	"errors"
	"maps"
	"slices"
	"sync"
	"time"

	"gapward/analysis"
	"gapward/sensors"
	"gapward/sensors/modbus"
)

// reading is one raw reading of a channel.
type reading struct {
	atNS    int64
	raw     float64
	quality sensors.Quality
}

// span is a time, UTC nanoseconds, for which something is known of a brake.
type span struct {
	brake      int32
	fromNS, to int64
}

// evidence is all that was seen and typed in.
type evidence struct {
	channels []sensors.Channel // as the site file wires them
	readings [][]reading       // by channel, in the order of time
	refusals []*modbus.Exception
	troubles []trouble        // by channel, of what is heard through a broker
	stamps   []stampTrouble   // by channel, of changes that the device stamps
	failures map[string]error // the latest of each device
	still    []span           // a person said that the brake was set
	gauge    map[int32]analysis.HandReading
}

// mostReadings is how many readings of a channel are kept: more than an hour at
// 20 ms. What comes after them is left out of the proof.
const mostReadings = 200_000

// gatherer takes what the sources send. It may be asked meanwhile.
type gatherer struct {
	mu   sync.Mutex
	e    evidence
	at   map[place]int
	live map[int32]*counter
}

// counter counts how often a brake was driven long enough for a full cycle, for
// a person to see how far it is. Whether the cycles are full ones the analysis
// says, once all has been seen.
type counter struct {
	signal sensors.Signal // that it counts by: the drive, else the release switch
	on     bool
	fromNS int64
	n      int
}

// longEnough is how long the drive must be on for a cycle that may be full.
const longEnough = 600 * time.Millisecond

func (c *counter) take(s sensors.Sample) {
	if s.Signal != c.signal || s.Quality != sensors.Good {
		return
	}
	switch on := s.Value >= 0.5; {
	case on && !c.on:
		c.fromNS = s.AtNS
	case !on && c.on && s.AtNS-c.fromNS >= int64(longEnough):
		c.n++
	}
	c.on = s.Value >= 0.5
}

// place is a signal of a brake.
type place struct {
	brake  int32
	signal sensors.Signal
}

func newGatherer(channels []sensors.Channel) *gatherer {
	g := &gatherer{at: make(map[place]int, len(channels)), live: make(map[int32]*counter), e: evidence{
		channels: channels, readings: make([][]reading, len(channels)), refusals: make([]*modbus.Exception, len(channels)),
		troubles: make([]trouble, len(channels)), stamps: make([]stampTrouble, len(channels)), failures: map[string]error{}, gauge: map[int32]analysis.HandReading{},
	}}
	for i, c := range channels {
		g.at[place{c.Brake, c.Signal}] = i
		if g.live[c.Brake] == nil {
			g.live[c.Brake] = &counter{}
		}
		if by := &g.live[c.Brake].signal; c.Signal == sensors.Drive || c.Signal == sensors.Released && *by != sensors.Drive {
			*by = c.Signal
		}
	}
	return g
}

// take keeps samples, whose values are raw.
func (g *gatherer) take(samples []sensors.Sample) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, s := range samples {
		i, ok := g.at[place{s.Brake, s.Signal}]
		if !ok || len(g.e.readings[i]) >= mostReadings {
			continue
		}
		r := reading{s.AtNS, s.Value, s.Quality}
		g.e.readings[i] = append(g.e.readings[i], r)
		g.live[s.Brake].take(r.sample(g.e.channels[i]))
	}
}

// driven is how often a brake was driven long enough up to now; ok is false
// where it has neither drive nor switch to count by.
func (g *gatherer) driven(brake int32) (n int, ok bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	c := g.live[brake]
	return c.n, c.signal != sensors.Tick
}

// Polled keeps why requests failed, or why messages brought nothing.
func (g *gatherer) Polled(device string, p sensors.Poll) {
	if p.Err == nil {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.stampTrouble(p.Err) {
		return
	}
	g.e.failures[device] = p.Err
	g.trouble(device, p.Err)
	var failed *modbus.PollError
	var refused *modbus.Exception
	if !errors.As(p.Err, &failed) || !errors.As(p.Err, &refused) {
		return
	}
	for _, c := range failed.Request.Channels {
		switch i, ok := g.at[place{c.Brake, c.Signal}]; {
		case !ok || !final(failed.Request, refused): // its parts are being tried
		case c.Part == sensors.OfValue:
			g.e.refusals[i] = refused
		default:
			g.e.stamps[i].refused = refused
		}
	}
}

// heldStill notes that a person said that a brake was set.
func (g *gatherer) heldStill(brake int32, fromNS, toNS int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.e.still = append(g.e.still, span{brake, fromNS, toNS})
}

// measured notes a reading by hand.
func (g *gatherer) measured(brake int32, h analysis.HandReading) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.e.gauge[brake] = h
}

// evidence is what there is up to now. Readings are only ever added, so that
// those handed out stay as they are.
func (g *gatherer) evidence() evidence {
	g.mu.Lock()
	defer g.mu.Unlock()
	e := g.e
	e.readings = slices.Clone(e.readings)
	e.refusals = slices.Clone(e.refusals)
	e.troubles = slices.Clone(e.troubles)
	e.stamps = slices.Clone(e.stamps)
	for i := range e.stamps {
		e.stamps[i].why = maps.Clone(e.stamps[i].why)
	}
	e.still = slices.Clone(e.still)
	e.failures = make(map[string]error, len(g.e.failures))
	for k, v := range g.e.failures {
		e.failures[k] = v
	}
	e.gauge = make(map[int32]analysis.HandReading, len(g.e.gauge))
	for k, v := range g.e.gauge {
		e.gauge[k] = v
	}
	return e
}

// rawChannels are the channels with what makes a value of a raw one taken
// away, so that the sources bring it as it is.
func rawChannels(channels []sensors.Channel) []sensors.Channel {
	list := slices.Clone(channels)
	for i := range list {
		list[i].Wiring = list[i].Wiring.Unscaled()
	}
	return list
}

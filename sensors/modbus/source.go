package modbus

import (
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"gapward/sensors"
)

// Source polls the devices of one address. It implements [sensors.Source].
type Source struct {
	name    string
	plan    Plan
	link    link
	watcher sensors.Watcher
	lg      *slog.Logger
	polls   []*poll
}

// New returns a source that reads the channels of one device. Channels of
// other devices are left out, and may be passed for the periods they imply.
// Nothing is connected before Run. A nil watcher isn't told anything.
func New(name string, dev sensors.Device, channels []sensors.Channel, w sensors.Watcher, lg *slog.Logger) (*Source, error) {
	return NewBus(map[string]sensors.Device{name: dev}, channels, w, lg)
}

// NewBus returns a source that reads all devices of one address, one request
// at a time. Its name is the device's, or all the devices' joined by plus
// signs; the watcher is told each device's own.
func NewBus(devices map[string]sensors.Device, channels []sensors.Channel, w sensors.Watcher, lg *slog.Logger) (*Source, error) {
	plan, err := PlanBus(devices, channels)
	if err != nil {
		return nil, err
	}
	if len(plan.Requests) == 0 {
		return nil, fmt.Errorf("no signal is wired to %s", strings.Join(names(devices), " or "))
	}
	return newSource(strings.Join(names(devices), "+"), plan, newLink(plan.Address), w, lg), nil
}

// Sources returns a source for each address at which Modbus devices with
// channels are reached, in the order of the devices' names. Devices that
// aren't reached by Modbus are left out.
func Sources(devices map[string]sensors.Device, channels []sensors.Channel, w sensors.Watcher, lg *slog.Logger) ([]sensors.Source, error) {
	channels = ResolvePolls(channels) // a device's channels may take their period from another's
	wired := make(map[string]bool)
	for _, c := range channels {
		wired[c.Wiring.Device] = true
	}
	type bus struct {
		address Address
		devices map[string]sensors.Device
	}
	var buses []*bus
	byPlace := make(map[string]*bus)
	var errs []error
	for _, name := range names(devices) {
		dev := devices[name]
		if dev.Modbus == "" || !wired[name] {
			continue
		}
		a, err := ParseAddress(dev.Modbus)
		if err != nil {
			errs = append(errs, fmt.Errorf("device %s: %w", name, err))
			continue
		}
		b := byPlace[a.place()]
		if b == nil {
			b = &bus{a, make(map[string]sensors.Device)}
			byPlace[a.place()] = b
			buses = append(buses, b)
		}
		b.devices[name] = dev // NewBus refuses two descriptions of one line
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	var sources []sensors.Source
	for _, b := range buses {
		s, err := NewBus(b.devices, channels, w, lg)
		if err != nil {
			return nil, err
		}
		sources = append(sources, s)
	}
	return sources, nil
}

func names(devices map[string]sensors.Device) []string {
	out := make([]string, 0, len(devices))
	for name := range devices {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

func newSource(name string, plan Plan, l link, w sensors.Watcher, lg *slog.Logger) *Source {
	if w == nil {
		w = sensors.WatcherFunc(func(string, sensors.Poll) {})
	}
	if lg == nil {
		lg = slog.New(slog.DiscardHandler)
	}
	s := &Source{name: name, plan: plan, link: l, watcher: w, lg: lg.With("source", name)}
	units := make(map[string]*unit)
	for _, r := range plan.Requests {
		u := units[r.Device]
		if u == nil {
			u = &unit{}
			units[r.Device] = u
		}
		if u.period == 0 || r.Period < u.period {
			u.period = r.Period
		}
		if plan.Address.Scheme.Serial() {
			u.rest = r.Timeout
		}
		s.polls = append(s.polls, &poll{Request: r, unit: u})
	}
	return s
}

// Name is the device's name in the site file.
func (s *Source) Name() string { return s.name }

// Plan is what the source was made to read. Blocks that a device refused are
// read in parts all the same.
func (s *Source) Plan() Plan { return s.plan }

// A unit is one device on the bus and how it fares.
type unit struct {
	period  time.Duration // of its most frequent request
	rest    time.Duration // to leave it alone after it was silent
	fails   int           // how often in a row it didn't answer
	retryAt time.Time
}

// A poll is one request and how it fares.
type poll struct {
	Request
	unit *unit

	next    time.Time // when it's due
	shownAt time.Time // when its signals last got a sample
	fails   int       // how often in a row it wasn't answered
	retryAt time.Time
	partAt  time.Time // not to be tried in parts before

	trouble trouble
}

// maxPause is the longest that a device which doesn't answer is left alone.
const maxPause = 2 * time.Second

// pause is how long to leave something alone that has failed n times in a row:
// 1, 2, 4, … polls.
func pause(period time.Duration, n int) time.Duration {
	d := period
	for ; n > 1 && d < maxPause; n-- {
		d *= 2
	}
	return min(d, maxPause)
}

// failed notes a silence that ended at now.
//
// The request itself is left alone a little longer than its unit, so that when
// only one request of a unit is never answered, the others get their turn.
func (p *poll) failed(now time.Time) {
	p.fails++
	p.unit.fails++
	p.unit.retryAt = now.Add(max(pause(p.unit.period, p.unit.fails), p.unit.rest))
	p.retryAt = now.Add(max(pause(p.Period, p.fails), p.unit.rest) + p.unit.period)
}

// answered notes that the device is there.
func (p *poll) answered() {
	p.fails, p.retryAt = 0, time.Time{}
	p.unit.fails, p.unit.retryAt = 0, time.Time{}
}

// mayTry reports whether the request needn't be held back.
func (p *poll) mayTry(now time.Time) bool {
	return !now.Before(p.retryAt) && !now.Before(p.unit.retryAt)
}

// minShown is the shortest time between two signs of silence while a device is
// left alone.
const minShown = 250 * time.Millisecond

// mustShow reports whether a request that is held back must give sign of the
// silence again.
func (p *poll) mustShow(now time.Time) bool {
	return now.Sub(p.shownAt) >= max(p.Period, minShown)
}

// advance sets when the poll is next due: at the first multiple of its period
// since start that is still to come. Slots that were missed stay missed.
func (p *poll) advance(start, now time.Time) {
	p.next = start.Add((now.Sub(start)/p.Period + 1) * p.Period)
}

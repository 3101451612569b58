package modbus

import (
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"

	"gapward/sensors"
)

// Source polls the devices of one address. It implements [sensors.Source].
type Source struct {
	name    string
	plan    Plan
	link    link
	units   int // how many devices share the address
	watcher sensors.Watcher
	lg      *slog.Logger
	polls   []*poll

	inFlight int
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
	return newSource(strings.Join(names(devices), "+"), plan, newLink(plan.Address, plan.InFlight), w, lg), nil
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
		b := byPlace[a.Bus(name, dev)]
		if b == nil {
			b = &bus{a, make(map[string]sensors.Device)}
			byPlace[a.Bus(name, dev)] = b
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
	s := &Source{name: name, plan: plan, inFlight: max(plan.InFlight, 1), link: l, watcher: w, lg: lg.With("source", name)}
	s.polls, s.units = pollsOf(plan)
	return s
}

// Name is the device's name in the site file.
func (s *Source) Name() string { return s.name }

// Plan is what the source was made to read. Blocks that a device refused are
// read in parts all the same.
func (s *Source) Plan() Plan { return s.plan }

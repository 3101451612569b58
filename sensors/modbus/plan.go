package modbus

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gapward/sensors"
)

// bridge is how many registers that nobody asked for are rather read along than
// asked around, because that takes less of the wire than another request.
//
// On a serial line another request costs 13 characters, two silences and what
// is known of the device's turnaround, and a register two characters: that makes
// ten up to 19200 Bd. On TCP it costs 21 bytes and twice the 40 of TCP's and
// IP's headers. A bit costs a sixteenth of a register.
func bridge(a Address, d sensors.Device) (registers int) {
	if !a.Scheme.Serial() {
		return (12 + 9 + 2*40) / 2
	}
	another := 13*a.Line.Char() + 2*a.Line.Silence() + d.Turnaround
	return int((another + time.Microsecond) / (2 * a.Line.Char())) // the times are rounded to nanoseconds
}

// Plan is what is read from the devices of one address, in the order in which
// it is read.
type Plan struct {
	Address  Address
	InFlight int // requests that may be under way at once
	Requests []Request
}

// PlanDevice works out how the channels of one device are read.
//
// Signals of one table and one period that lie near each other share a
// request. Those that bring drive and travel of one brake are one or follow each
// other, so that the two are read as nearly at once as the wire allows. An error
// names the channel and says what to write instead.
//
// A channel without a period has that of its brake's travel, if that is among
// channels, else the default. Where travel is on another device, call
// [ResolvePolls] with all the site's channels first.
func PlanDevice(dev sensors.Device, channels []sensors.Channel) (Plan, error) {
	a, err := ParseAddress(dev.Modbus)
	if err != nil {
		return Plan{}, err
	}
	if err := checkUnit(dev, a); err != nil {
		return Plan{}, err
	}
	requests, err := planRequests(a, dev, ResolvePolls(channels))
	if err != nil {
		return Plan{}, err
	}
	p := Plan{Address: a, InFlight: max(dev.InFlight, 1), Requests: requests}
	p.pair()
	return p, nil
}

// PlanBus works out how all the devices of one address are read. Of channels,
// those of other devices are left out. A device without channels costs
// nothing.
func PlanBus(devices map[string]sensors.Device, channels []sensors.Channel) (Plan, error) {
	var bus Plan
	first := ""
	channels = ResolvePolls(channels)
	names := make([]string, 0, len(devices))
	for name := range devices {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		var own []sensors.Channel
		for _, c := range channels {
			if c.Wiring.Device == name {
				own = append(own, c)
			}
		}
		p, err := PlanDevice(devices[name], own)
		if err != nil {
			return Plan{}, fmt.Errorf("device %s: %w", name, err)
		}
		if first == "" {
			first, bus.Address, bus.InFlight = name, p.Address, p.InFlight
		}
		if p.Address != bus.Address {
			return Plan{}, fmt.Errorf("devices %s and %s share a bus, but one is at %v and the other at %v; write the same address for both", first, name, bus.Address, p.Address)
		}
		bus.InFlight = min(bus.InFlight, p.InFlight) // they share the connection
		bus.Requests = append(bus.Requests, p.Requests...)
	}
	bus.pair()
	return bus, nil
}

// ResolvePolls returns a copy of channels in which every period is filled in:
// that of the brake's travel where none is given, or the default.
func ResolvePolls(channels []sensors.Channel) []sensors.Channel {
	travel := make(map[int32]time.Duration)
	for _, c := range channels {
		if c.Signal == sensors.Travel {
			travel[c.Brake] = c.Wiring.Poll
		}
	}
	out := slices.Clone(channels)
	for i := range out {
		w := &out[i].Wiring
		if w.Poll == 0 && !w.ByException() {
			w.Poll = cmp.Or(travel[out[i].Brake], sensors.DefaultPoll)
		}
	}
	return out
}

func checkUnit(dev sensors.Device, a Address) error {
	switch {
	case a.Scheme.Serial() && dev.Unit == 0:
		return errors.New("unit is 0 or missing, which on a serial line speaks to all devices and none answers; write the device's own, 1 to 247")
	case dev.Unit > 247 && (a.Scheme.Serial() || dev.Unit != 255):
		return fmt.Errorf("unit is %d; write one from 1 to 247, or 255 for a device that is alone at its TCP address", dev.Unit)
	case dev.Timeout < 0:
		return fmt.Errorf("timeout is %v; write a time above zero, for example 250ms", dev.Timeout)
	}
	return nil
}

// planRequests groups the channels of one device by table and period and cuts
// each group into blocks.
func planRequests(a Address, dev sensors.Device, channels []sensors.Channel) ([]Request, error) {
	type group struct {
		table  Table
		period time.Duration
	}
	groups := make(map[group][]slot)
	for _, c := range withStamps(channels) {
		p, err := find(c)
		if err != nil {
			return nil, err
		}
		g := group{p.table, c.Wiring.Poll}
		groups[g] = append(groups[g], slot{p, c})
	}
	var requests []Request
	for g, slots := range groups {
		slices.SortStableFunc(slots, byAddress)
		like := Request{
			Device:     slots[0].channel.Wiring.Device,
			Unit:       dev.Unit,
			Timeout:    dev.RequestTimeout(),
			Turnaround: dev.Turnaround,
			Period:     g.period,
		}
		most, across := maxRegisters, bridge(a, dev)
		if g.table.bits() {
			most, across = maxBits, 16*across
		}
		from, end := 0, slots[0].end()
		for i, s := range slots[1:] {
			if int(s.address)-end > across || max(end, s.end())-int(slots[from].address) > most {
				requests = append(requests, block(like, slots[from:i+1]))
				from, end = i+1, 0
			}
			end = max(end, s.end())
		}
		requests = append(requests, block(like, slots[from:]))
	}
	return requests, nil
}

// compare says which of two requests comes first when both are due at once: the
// frequent before the rare, which nobody hurries for; then by brake, so that one
// brake's signals are read back to back; then bits before registers.
func (r *Request) compare(o *Request) int {
	return cmp.Or(
		cmp.Compare(r.Period, o.Period),
		cmp.Compare(r.firstBrake(), o.firstBrake()),
		cmp.Compare(r.Device, o.Device),
		cmp.Compare(r.Table.Function(), o.Table.Function()),
		cmp.Compare(r.Address, o.Address),
	)
}

func (r *Request) firstBrake() int32 {
	first := int32(math.MaxInt32)
	for _, c := range r.Channels {
		first = min(first, c.Brake)
	}
	return first
}

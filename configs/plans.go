package configs

import (
	"slices"
	"strings"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// Bus is everything that is reached at one Modbus address: its devices share a
// connection, or a line, and are asked one after the other.
type Bus struct {
	Devices map[string]sensors.Device
	Plan    modbus.Plan
}

// Buses works out how each Modbus address is read, in the order of the names
// of their devices. A device from which no signal is read is on no bus's plan.
func (s *Site) Buses() ([]Bus, error) {
	groups := map[modbus.Address]map[string]sensors.Device{}
	var order []modbus.Address
	for _, name := range sortedNames(s.Devices) {
		d := s.Devices[name]
		if d.Modbus == "" {
			continue
		}
		address, err := modbus.ParseAddress(d.Modbus)
		if err != nil {
			return nil, err
		}
		if groups[address] == nil {
			groups[address] = map[string]sensors.Device{}
			order = append(order, address)
		}
		groups[address][name] = d
	}
	channels := s.Channels()
	var buses []Bus
	for _, address := range order {
		plan, err := modbus.PlanBus(groups[address], channels)
		if err != nil {
			return nil, err
		}
		buses = append(buses, Bus{groups[address], plan})
	}
	return buses, nil
}

// plans has the read planner look at a file in which nothing else is wrong: it
// has the last word on what can be read.
func (v *validator) plans() {
	if v.purpose != Run || len(v.problems) > 0 {
		return
	}
	buses, err := v.site.Buses()
	if err != nil {
		v.wrong("devices", err.Error(), "")
		return
	}
	for _, bus := range buses {
		if err := bus.Plan.Check(); err != nil {
			fault, advice, _ := strings.Cut(err.Error(), "; ")
			v.note(devicePath(sortedNames(bus.Devices)[0])+".modbus", fault, advice)
		}
	}
}

func sortedNames(devices map[string]sensors.Device) []string {
	names := make([]string, 0, len(devices))
	for name := range devices {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

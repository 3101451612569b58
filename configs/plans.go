package configs

import (
	"slices"
	"strings"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// Bus is what is reached over one Modbus connection, or line: its devices are
// asked one after the other.
type Bus struct {
	Devices map[string]sensors.Device
	Plan    modbus.Plan
}

// Buses works out how each Modbus address is read, in the order of the names
// of their devices. A device from which no signal is read is on no bus's plan.
func (s *Site) Buses() ([]Bus, error) {
	groups := map[string]map[string]sensors.Device{}
	var order []string
	for _, name := range sortedNames(s.Devices) {
		d := s.Devices[name]
		if d.Modbus == "" {
			continue
		}
		address, err := modbus.ParseAddress(d.Modbus)
		if err != nil {
			return nil, err
		}
		key := address.Bus(name, d)
		if groups[key] == nil {
			groups[key] = map[string]sensors.Device{}
			order = append(order, key)
		}
		groups[key][name] = d
	}
	channels := s.Channels()
	var buses []Bus
	for _, key := range order {
		plan, err := modbus.PlanBus(groups[key], channels)
		if err != nil {
			return nil, err
		}
		buses = append(buses, Bus{groups[key], plan})
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
		path := devicePath(sortedNames(bus.Devices)[0]) + ".modbus"
		if err := bus.Plan.Check(); err != nil {
			fault, advice, _ := strings.Cut(err.Error(), "; ")
			v.wrong(path, fault, advice)
		} else if err := bus.Plan.Doubt(); err != nil {
			fault, advice, _ := strings.Cut(err.Error(), "; ")
			v.note(path, fault, advice)
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

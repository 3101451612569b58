package simulator

import (
	"strings"

	"gapward/sensors"
)

// SpecsFor makes a brake of default behaviour for each brake of a site's
// channels, in the order of their positions. initialGapMM gives the gap of
// each, mm; nil, or a gap of 0, means 1.5 mm.
//
// The name says how the brake is driven: what stands before the last slash is
// the hoist, and a brake whose last part contains "creep" belongs to the creep
// drive. Wear differs between brakes by a factor that hangs on seed and name.
func SpecsFor(channels []sensors.Channel, duty Duty, seed uint64, initialGapMM func(name string) float64) []BrakeSpec {
	var specs []BrakeSpec
	for _, c := range channels {
		i := 0
		for i < len(specs) && specs[i].Index < c.Brake {
			i++
		}
		if i == len(specs) || specs[i].Index != c.Brake {
			gap := 1.5
			if initialGapMM != nil {
				if g := initialGapMM(c.Name); g > 0 {
					gap = g
				}
			}
			specs = append(specs, BrakeSpec{})
			copy(specs[i+1:], specs[i:])
			specs[i] = specFor(c, duty, seed, gap)
		}
		specs[i].Wire(c.Signal, c.Wiring)
	}
	for i := range specs {
		specs[i].placeProbe()
	}
	return specs
}

func specFor(c sensors.Channel, duty Duty, seed uint64, gapMM float64) BrakeSpec {
	b := BrakeSpec{Index: c.Brake, Name: c.Name, Hoist: c.Name, Params: DefaultParams(gapMM), Duty: duty}
	last := c.Name
	if i := strings.LastIndexByte(c.Name, '/'); i >= 0 {
		b.Hoist, last = c.Name[:i], c.Name[i+1:]
	}
	if strings.Contains(strings.ToLower(last), "creep") {
		b.Part = CreepDrive
	}
	b.Params.WearUM *= newKey(seed, c.Name, "make").logUniform(0, 0.6, 1.7)
	return b
}

// placeProbe puts the brake's levels where the probe's scale has room: the set
// level a good way above the lower end, as it falls when the lining wears.
func (b *BrakeSpec) placeProbe() {
	if b.Travel == nil {
		return
	}
	lo, hi, ok := b.Travel.Span(sensors.Travel)
	if !ok {
		return
	}
	b.Params.ProbeZeroMM = lo + max(0, hi-lo-b.Params.InitialGapMM)*0.45
}

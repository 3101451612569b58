package field

import (
	"fmt"
	"math"

	"gapward/sensors"
	"gapward/simulator"
)

// wired is one channel with what its device makes of it.
type wired struct {
	channel sensors.Channel
	scale   simulator.Scale
}

func (w *wired) String() string { return fmt.Sprintf("%s of %s", w.channel.Signal, w.channel.Name) }

// raw is the raw value of a reading.
func (w *wired) raw(r simulator.Reading) float64 {
	switch {
	case r.Broken:
		return w.scale.Broken()
	case w.channel.Signal.Binary():
		if w.channel.Wiring.Invert {
			return 1 - r.Value
		}
		return r.Value
	}
	return w.scale.Raw(r.Value)
}

// word is where a register's content comes from: a part of a channel.
type word struct {
	from *wired
	part int
}

// unitMap is which channel stands at which address of a Modbus unit.
type unitMap struct {
	registers [4]map[uint16]word
	bits      [4]map[uint16][]*wired // several brakes may share a drive contact
	any       *wired                 // one of them, to ask how the device is
}

func newUnitMap() *unitMap {
	u := &unitMap{}
	for t := range u.bits {
		u.registers[t], u.bits[t] = make(map[uint16]word), make(map[uint16][]*wired)
	}
	return u
}

// add gives a channel its place. It fails where the place is taken or can't
// hold such a signal.
func (u *unitMap) add(c sensors.Channel) error {
	w := &wired{c, simulator.NewScale(c.Signal, c.Wiring)}
	if u.any == nil {
		u.any = w
	}
	for _, wire := range []struct {
		t       table
		address *uint16
	}{{coils, c.Wiring.Coil}, {discreteInputs, c.Wiring.Discrete}, {holdingRegisters, c.Wiring.Holding}, {inputRegisters, c.Wiring.Input}} {
		if wire.address == nil {
			continue
		}
		if wire.t == holdingRegisters || wire.t == inputRegisters {
			return u.addRegisters(w, wire.t, *wire.address)
		}
		return u.addBit(w, wire.t, *wire.address)
	}
	return fmt.Errorf("%v has no Modbus address", w)
}

func (u *unitMap) addBit(w *wired, t table, address uint16) error {
	if !w.channel.Signal.Binary() {
		return fmt.Errorf("%v is wired to %v %d, which can't hold a number", w, t, address)
	}
	for _, other := range u.bits[t][address] {
		if other.channel.Signal != sensors.Drive || w.channel.Signal != sensors.Drive {
			return fmt.Errorf("%v and %v are both wired to %v %d", other, w, t, address)
		}
	}
	u.bits[t][address] = append(u.bits[t][address], w)
	return nil
}

func (u *unitMap) addRegisters(w *wired, t table, address uint16) error {
	words := wordsOf(w.channel.Wiring.Type)
	if words == 0 {
		return fmt.Errorf("%v has the unknown type %q", w, w.channel.Wiring.Type)
	}
	for i := range words {
		at := int(address) + i
		if at > math.MaxUint16 {
			return fmt.Errorf("%v needs %d registers from %d on, beyond the last address", w, words, address)
		}
		if other, taken := u.registers[t][uint16(at)]; taken {
			return fmt.Errorf("%v and %v are both wired to %v %d", other.from, w, t, at)
		}
		u.registers[t][uint16(at)] = word{w, i}
	}
	return nil
}

// view is what a unit shows at one moment.
type view struct {
	*unitMap
	read func(*wired) simulator.Reading
}

func (v view) bit(t table, address uint16) (on, ok bool) {
	sources := v.bits[t][address]
	for _, w := range sources {
		on = on || (v.read(w).Value == 1)
	}
	if len(sources) > 0 && sources[0].channel.Wiring.Invert {
		on = !on
	}
	return on, len(sources) > 0
}

func (v view) register(t table, address uint16) (uint16, bool) {
	p, ok := v.registers[t][address]
	if !ok {
		return 0, false
	}
	words := encode(p.from.raw(v.read(p.from)), p.from.channel.Wiring.Type, p.from.channel.Wiring.Words)
	return words[p.part], true
}

// wordsOf is the number of registers that a type takes, 0 for an unknown one.
func wordsOf(t sensors.DataType) int {
	switch t {
	case "", sensors.U16, sensors.S16:
		return 1
	case sensors.U32, sensors.S32, sensors.F32:
		return 2
	}
	return 0
}

// encode is a raw value as it stands in registers; the second word means
// nothing for types that take only one.
func encode(raw float64, t sensors.DataType, order sensors.WordOrder) [2]uint16 {
	var bits uint32
	switch t {
	case "", sensors.U16:
		return [2]uint16{uint16(int64(raw))}
	case sensors.S16:
		return [2]uint16{uint16(int16(raw))}
	case sensors.U32:
		bits = uint32(int64(raw))
	case sensors.S32:
		bits = uint32(int32(raw))
	case sensors.F32:
		bits = math.Float32bits(float32(raw))
	}
	high, low := uint16(bits>>16), uint16(bits)
	swap := func(w uint16) uint16 { return w<<8 | w>>8 }
	switch order {
	case sensors.CDAB:
		return [2]uint16{low, high}
	case sensors.BADC:
		return [2]uint16{swap(high), swap(low)}
	case sensors.DCBA:
		return [2]uint16{swap(low), swap(high)}
	}
	return [2]uint16{high, low}
}

package field

import (
	"cmp"
	"fmt"
	"math"
	"sync"
	"time"

	"gapward/sensors"
	"gapward/simulator"
)

// wired is one channel with what its device makes of it.
type wired struct {
	channel sensors.Channel
	scale   simulator.Scale

	mu      sync.Mutex
	changed int64   // what the device stamped last …
	stamped float64 // … and how: a clock that is set changes no stamp
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
	case w.channel.Signal.Measured():
		step := cmp.Or(w.channel.Wiring.Step, time.Millisecond)
		return math.Round(r.Value / (step.Seconds() * 1e3))
	}
	return w.scale.Raw(r.Value)
}

// clockFast is by how much the device's own clock runs fast, as crystals do.
const clockFast = 40e-6

// count is what the device's clock shows at a time. It began long ago, and has
// begun anew since.
func (w *wired) count(atNS int64, ahead time.Duration) float64 {
	s := w.channel.Wiring.Stamp
	shown := atNS + int64(float64(atNS)*clockFast) + int64(ahead)
	return float64((shown / int64(s.Step)) & (1<<(16*wordsOf(s.Type)) - 1))
}

// stampOf is the time of the latest change by the device's clock.
func (w *wired) stampOf(r simulator.Reading) float64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.changed != r.ChangedNS {
		w.changed, w.stamped = r.ChangedNS, w.count(r.ChangedNS, r.ClockBy)
	}
	return w.stamped
}

// content is what of a channel a register holds.
type content uint8

const (
	itsValue   content = iota
	itsStamp           // when it changed last, by the device's clock
	itsClock           // that clock
	itsCounter         // how often a time was measured
)

// word is where a register's content comes from: a part of a channel.
type word struct {
	from *wired
	of   content
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
	w := &wired{channel: c, scale: simulator.NewScale(c.Signal, c.Wiring)}
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
		if err := u.addMade(w, wire.t); err != nil {
			return err
		}
		if wire.t == holdingRegisters || wire.t == inputRegisters {
			return u.addRegisters(w, itsValue, wire.t, *wire.address, c.Wiring.Type)
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

// addMade adds the registers of the times that the device makes itself; t is
// the table of the signal's value.
func (u *unitMap) addMade(w *wired, t table) error {
	if c := w.channel.Wiring.Counter; c != nil {
		if err := u.addRegisters(w, itsCounter, t, *c, sensors.U16); err != nil {
			return err
		}
	}
	s := w.channel.Wiring.Stamp
	if s == nil {
		return nil
	}
	t = inputRegisters
	if s.Holding != nil {
		t = holdingRegisters
	}
	if s.Address() == nil || s.Clock == nil || s.Step <= 0 {
		return fmt.Errorf("the stamp of %v lacks a register, its clock or its step", w)
	}
	if err := u.addRegisters(w, itsStamp, t, *s.Address(), s.Type); err != nil {
		return err
	}
	return u.addRegisters(w, itsClock, t, *s.Clock, s.Type)
}

func (u *unitMap) addRegisters(w *wired, of content, t table, address uint16, as sensors.DataType) error {
	words := wordsOf(as)
	if words == 0 {
		return fmt.Errorf("%v has the unknown type %q", w, as)
	}
	for i := range words {
		at := int(address) + i
		if at > math.MaxUint16 {
			return fmt.Errorf("%v needs %d registers from %d on, beyond the last address", w, words, address)
		}
		if other, taken := u.registers[t][uint16(at)]; taken && (of != itsClock || other.of != itsClock) {
			return fmt.Errorf("%v and %v are both wired to %v %d", other.from, w, t, at)
		}
		u.registers[t][uint16(at)] = word{w, of, i}
	}
	return nil
}

// view is what a unit shows at one moment.
type view struct {
	*unitMap
	atNS int64
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
	r, w := v.read(p.from), &p.from.channel.Wiring
	switch p.of {
	case itsStamp:
		return encode(p.from.stampOf(r), w.Stamp.Type, w.Stamp.Words)[p.part], true
	case itsClock:
		return encode(p.from.count(v.atNS, r.ClockBy), w.Stamp.Type, w.Stamp.Words)[p.part], true
	case itsCounter:
		return uint16(r.Count), true
	}
	return encode(p.from.raw(r), w.Type, w.Words)[p.part], true
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

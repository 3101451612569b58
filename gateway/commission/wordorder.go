package commission

import (
	"fmt"
	"math"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// onWire is the bytes of the registers that hold a raw value, by the type and
// word order with which it was read: the inverse of what made the raw value.
func onWire(raw float64, t sensors.DataType, order sensors.WordOrder) []byte {
	var bits uint32
	switch t {
	case "", sensors.U16:
		bits = uint32(uint16(int64(raw)))
		return []byte{byte(bits >> 8), byte(bits)}
	case sensors.S16:
		bits = uint32(uint16(int16(raw)))
		return []byte{byte(bits >> 8), byte(bits)}
	case sensors.F32:
		bits = math.Float32bits(float32(raw))
	case sensors.S32:
		bits = uint32(int32(raw))
	default:
		bits = uint32(int64(raw))
	}
	a, b, c, d := byte(bits>>24), byte(bits>>16), byte(bits>>8), byte(bits)
	switch order {
	case sensors.CDAB:
		return []byte{c, d, a, b}
	case sensors.BADC:
		return []byte{b, a, d, c}
	case sensors.DCBA:
		return []byte{d, c, b, a}
	}
	return []byte{a, b, c, d}
}

// way is a type and word order that registers may be read with.
type way struct {
	t     sensors.DataType
	order sensors.WordOrder
}

func (w way) String() string {
	if w.order == "" {
		return "type " + string(w.t)
	}
	return fmt.Sprintf("word order %s", w.order)
}

// otherWays are how the registers of a channel could also be read.
func otherWays(w sensors.Wiring) (list []way) {
	switch w.Type {
	case "", sensors.U16:
		return []way{{sensors.S16, ""}}
	case sensors.S16:
		return []way{{sensors.U16, ""}}
	}
	now := w.Words
	if now == "" {
		now = sensors.ABCD
	}
	for _, order := range []sensors.WordOrder{sensors.ABCD, sensors.CDAB, sensors.BADC, sensors.DCBA} {
		if order != now {
			list = append(list, way{w.Type, order})
		}
	}
	return list
}

// readAnotherWay is the travel that the same registers would show.
func (v *view) readAnotherWay(o way) (s series, outside int) {
	w := v.c.Wiring
	other := make([]reading, 0, len(v.raw))
	for _, r := range v.raw {
		if r.quality != sensors.Good {
			continue
		}
		raw, err := modbus.DecodeRegisters(onWire(r.raw, w.Type, w.Words), o.t, o.order)
		if err != nil || math.IsNaN(raw) || math.IsInf(raw, 0) {
			outside++
			continue
		}
		other = append(other, reading{r.atNS, raw, sensors.Good})
	}
	s, more := scaled(v.c, other)
	return s, outside + more
}

// guess looks for the one other way to read the registers that makes a travel
// of what is none; it is empty where there is none, or more than one.
func (b *brake) guess() string {
	v := b.travel
	if v.c.Wiring.Topic != "" {
		return ""
	}
	found, n := "", 0
	for _, o := range otherWays(v.c.Wiring) {
		s, outside := v.readAnotherWay(o)
		if len(s.v) < fewest || outside > len(s.v)/50 {
			continue
		}
		low, high, apart := twoLevels(s.v)
		l := b.settings.Limits
		if apart && high-low > 0.5*l.MinMM && high-low < 1.5*l.MaxMM {
			found = o.String()
			n++
		}
	}
	if n != 1 {
		return ""
	}
	return found
}

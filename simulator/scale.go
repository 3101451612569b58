package simulator

import (
	"math"

	"gapward/sensors"
)

// Scale turns a signal's value into the raw value that a device shows, and
// back: the inverse of the reading side's scaling, with the device's rounding.
type Scale struct {
	raw, to  [2]float64
	identity bool
	integer  bool
	float32  bool
	lo, hi   float64 // what the raw type can hold
	broken   float64 // the raw value of a broken wire
}

// NewScale returns the scale of a signal as it's wired.
func NewScale(s sensors.Signal, w sensors.Wiring) Scale {
	sc := Scale{raw: w.Raw, to: w.MM, identity: w.Raw[0] == w.Raw[1]}
	if s == sensors.Temperature {
		sc.to = w.Deg
	}
	if !sc.identity && sc.to[0] == sc.to[1] {
		sc.identity = true // a scale that takes every raw value to one has no inverse
	}
	switch {
	case w.Topic != "":
		sc.lo, sc.hi, sc.broken = math.Inf(-1), math.Inf(1), math.NaN()
	case w.Type == sensors.F32:
		sc.float32, sc.lo, sc.hi, sc.broken = true, -math.MaxFloat32, math.MaxFloat32, math.NaN()
	case w.Type == sensors.S16:
		sc.integer, sc.lo, sc.hi = true, math.MinInt16, math.MaxInt16
	case w.Type == sensors.U32:
		sc.integer, sc.hi = true, math.MaxUint32
	case w.Type == sensors.S32:
		sc.integer, sc.lo, sc.hi = true, math.MinInt32, math.MaxInt32
	default:
		sc.integer, sc.hi = true, math.MaxUint16
	}
	if sc.integer {
		sc.broken = sc.furthest()
	}
	return sc
}

// furthest is the end of the raw type that lies further outside the scale's
// span: where converters go when their input is open.
func (s *Scale) furthest() float64 {
	below := math.Min(s.raw[0], s.raw[1]) - s.lo
	above := s.hi - math.Max(s.raw[0], s.raw[1])
	if below > above {
		return s.lo
	}
	return s.hi
}

// Broken is the raw value that a device shows when the sensor's wire is
// broken: the end of an integer's range that lies further outside the scale,
// or no number where the raw value is a float. Where the scale fills the whole
// range there is no such value, and the end of it reads as the end of the scale.
func (s *Scale) Broken() float64 { return s.broken }

// Raw is the raw value of a signal's value. It saturates where its type ends,
// as converters do.
func (s *Scale) Raw(value float64) float64 {
	raw := value
	if !s.identity {
		raw = s.raw[0] + (value-s.to[0])/(s.to[1]-s.to[0])*(s.raw[1]-s.raw[0])
	}
	switch {
	case s.integer:
		return math.Max(s.lo, math.Min(s.hi, math.Floor(raw+0.5)))
	case s.float32:
		return float64(float32(raw))
	}
	return raw
}

// value is what the reading side makes of a raw value: the same arithmetic as
// [sensors.Wiring.Scale], without copying a wiring for each of millions of
// samples.
func (s *Scale) value(raw float64) (v float64, ok bool) {
	if s.raw[0] == s.raw[1] {
		return raw, raw == raw
	}
	part := (raw - s.raw[0]) / (s.raw[1] - s.raw[0])
	return s.to[0] + part*(s.to[1]-s.to[0]), part >= -0.025 && part <= 1.025
}

package simulator

import (
	"math"

	"gapward/sensors"
)

// Scale turns a signal's value into the raw value that a device shows: the
// inverse of the reading side's scaling, with the device's rounding.
type Scale struct {
	signal  sensors.Signal
	wiring  sensors.Wiring
	raw, to []float64 // points of the scale, by rising value; none where a raw value stands for itself
	integer bool
	float32 bool
	lo, hi  float64 // what the raw type can hold
	broken  float64 // the raw value of a broken wire
}

// curvePoints is on how many points a polynomial is laid out. Between them it
// is taken for straight, which a sensor's is within a millionth of its span.
const curvePoints = 2049

// NewScale returns the scale of a signal as it's wired.
func NewScale(s sensors.Signal, w sensors.Wiring) Scale {
	sc := Scale{signal: s, wiring: w}
	sc.layOut()
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
	switch {
	case len(w.Milliamps) >= 2:
		sc.broken = sc.typed(sc.noCurrent())
	case sc.integer:
		sc.broken = sc.furthest()
	}
	return sc
}

// layOut fills the points of the scale.
func (s *Scale) layOut() {
	w := &s.wiring
	means := w.MM
	if s.signal == sensors.Temperature {
		means = w.Deg
	}
	n := len(w.Raw)
	switch {
	case s.signal.Binary() || n < 2:
		return
	case len(w.Coefficients) > 0:
		for i := range curvePoints {
			x := w.Raw[0] + (w.Raw[n-1]-w.Raw[0])*float64(i)/(curvePoints-1)
			y, power := 0.0, 1.0
			for _, c := range w.Coefficients {
				y += c * power
				power *= x
			}
			s.raw, s.to = append(s.raw, x), append(s.to, y)
		}
	case len(means) == n && means[0] != means[n-1]: // else it takes every raw value to one, and has no inverse
		s.raw, s.to = append(s.raw, w.Raw...), append(s.to, means...)
	}
	if n = len(s.to); n > 0 && s.to[0] > s.to[n-1] {
		for i := range n / 2 {
			j := n - 1 - i
			s.raw[i], s.raw[j], s.to[i], s.to[j] = s.raw[j], s.raw[i], s.to[j], s.to[i]
		}
	}
}

// noCurrent is the raw value at 0 mA, where a broken wire leaves a current
// loop.
func (s *Scale) noCurrent() float64 {
	raw, mA := s.wiring.Raw, s.wiring.Milliamps
	return raw[0] - mA[0]*(raw[1]-raw[0])/(mA[1]-mA[0])
}

// furthest is the end of the raw type that lies further outside the scale's
// span: where converters go when their input is open.
func (s *Scale) furthest() float64 {
	below, above := -s.lo, s.hi
	if n := len(s.raw); n > 0 {
		below = math.Min(s.raw[0], s.raw[n-1]) - s.lo
		above = s.hi - math.Max(s.raw[0], s.raw[n-1])
	}
	if below > above {
		return s.lo
	}
	return s.hi
}

// Broken is the raw value that a device shows when the sensor's wire is
// broken: that of no current in a current loop, else the end of an integer's
// range that lies further outside the scale, or no number where the raw value
// is a float. Where the scale fills the whole range there is no such value, and
// the end of it reads as the end of the scale.
func (s *Scale) Broken() float64 { return s.broken }

// Raw is the raw value of a signal's value. It saturates where its type ends,
// as converters do.
func (s *Scale) Raw(value float64) float64 {
	n := len(s.to)
	if n == 0 {
		return s.typed(value)
	}
	low, high := 0, n-1 // the points around the value, or the two nearest to it
	for high-low > 1 {
		if mid := (low + high) / 2; s.to[mid] > value {
			high = mid
		} else {
			low = mid
		}
	}
	return s.typed(s.raw[low] + (value-s.to[low])/(s.to[high]-s.to[low])*(s.raw[high]-s.raw[low]))
}

// typed is a raw value as its type can hold it.
func (s *Scale) typed(raw float64) float64 {
	switch {
	case s.integer:
		return math.Max(s.lo, math.Min(s.hi, math.Floor(raw+0.5)))
	case s.float32:
		return float64(float32(raw))
	}
	return raw
}

// value is what the reading side makes of a raw value.
func (s *Scale) value(raw float64) (v float64, ok bool) { return s.wiring.Scale(s.signal, raw) }

package sensors

import (
	"fmt"
	"math"
)

// A scale turns raw values into the unit of a signal. Its points stand in
// columns of equal length: the raw value, what it means in mm or °C, and for a
// current loop the milliamperes it stands for.
//
//	raw: [0, 4095]         mm: [0, 10]                           linear
//	raw: [0, 1200, 4095]   mm: [0, 3.4, 10]                      a table
//	raw: [0, 4095]         coefficients: [0.1, 2.2e-3, 4e-8]       c0 + c1·raw + c2·raw²
//	raw: [0, 27648]        mm: [0, 10]       milliamps: [4, 20]  a current loop
//
// Between its points a table is linear. Without a scale a raw value stands for
// itself.

// A Doubt says why a reading isn't to be trusted; it is empty for one that is.
type Doubt string

// The doubts about a reading. Those about a current loop are NAMUR NE 43's: a
// transmitter measures between 3.8 and 20.5 mA, and tells its own failure, as a
// broken wire does by itself, by 3.6 mA or less or by 21 mA or more.
const (
	NotANumber Doubt = "it is not a number"
	OffScale   Doubt = "it lies outside of the scale"
	NoTime     Doubt = "it is no release or set time: not above zero, or beyond a minute"
	LoopLow    Doubt = "the loop current is 3.6 mA or less: a broken wire, or the transmitter tells its failure"
	LoopHigh   Doubt = "the loop current is 21 mA or more: a short circuit, or the transmitter tells its failure"
	LoopUnder  Doubt = "the loop current is below 3.8 mA: the transmitter is under its range"
	LoopOver   Doubt = "the loop current is above 20.5 mA: the transmitter is over its range"
)

// The limits of a current loop, mA (NAMUR NE 43).
const (
	loopFailureLow  = 3.6
	loopRangeLow    = 3.8
	loopRangeHigh   = 20.5
	loopFailureHigh = 21.0
)

// longestTimeMS is beyond what any brake takes, and below what a register holds
// that is all ones, as devices have it that have measured nothing (common
// practice, no published source).
const longestTimeMS = 60_000

// offScale is by how much of its span a reading may lie beyond the ends of a
// scale without a current.
const offScale = 0.025

// Scaled reports whether a scale is given.
func (w *Wiring) Scaled() bool { return len(w.Raw) >= 2 }

// Unscaled is the wiring without what makes a value of a raw one.
func (w Wiring) Unscaled() Wiring {
	w.Raw, w.MM, w.Deg, w.Coefficients, w.Milliamps, w.Invert = nil, nil, nil, nil, nil, false
	w.Step = 0
	return w
}

// Scale turns a raw value into the signal's unit, and is the identity where no
// scale is given. ok is false where the value is in doubt: a reading is never
// clamped.
func (w *Wiring) Scale(s Signal, raw float64) (value float64, ok bool) {
	value, doubt := w.Read(s, raw)
	return value, doubt == ""
}

// Read turns a raw value into the signal's unit and says what, if anything,
// there is to doubt about it. A binary signal is 0 or 1: any raw value but 0
// means yes, or no where the wiring is inverted. A measured time is a number of
// steps, in ms.
//
// With a current loop the current decides, else a raw value may lie 2.5 % of
// the scale's span beyond its ends.
func (w *Wiring) Read(s Signal, raw float64) (value float64, d Doubt) {
	switch {
	case math.IsNaN(raw) || math.IsInf(raw, 0):
		return 0, NotANumber
	case s.Binary():
		if (raw != 0) != w.Invert {
			return 1, ""
		}
		return 0, ""
	case s.Measured() && w.Step > 0:
		if value = raw * w.Step.Seconds() * 1e3; value <= 0 || value > longestTimeMS {
			return 0, NoTime
		}
		return value, ""
	case !w.Scaled():
		return raw, ""
	}
	first, last := w.Raw[0], w.Raw[len(w.Raw)-1]
	if len(w.Milliamps) == len(w.Raw) {
		d = loopDoubt(math.Round(1e9*along(w.Raw, w.Milliamps, raw)) / 1e9)
	} else if part := (raw - first) / (last - first); part < -offScale || part > 1+offScale {
		d = OffScale
	}
	if len(w.Coefficients) > 0 {
		value = horner(w.Coefficients, raw)
	} else {
		value = along(w.Raw, w.column(s), raw)
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, NotANumber
	}
	return value, d
}

func loopDoubt(milliamps float64) Doubt {
	switch {
	case milliamps <= loopFailureLow:
		return LoopLow
	case milliamps < loopRangeLow:
		return LoopUnder
	case milliamps >= loopFailureHigh:
		return LoopHigh
	case milliamps > loopRangeHigh:
		return LoopOver
	}
	return ""
}

// column is what the raw values mean, in the signal's unit.
func (w *Wiring) column(s Signal) []float64 {
	if s == Temperature {
		return w.Deg
	}
	return w.MM
}

// along is the value at x of the line through points with rising or falling
// xs. Beyond its ends the line goes straight on.
func along(xs, ys []float64, x float64) float64 {
	i := 0
	for rising := xs[1] > xs[0]; i < len(xs)-2 && (x > xs[i+1]) == rising && x != xs[i+1]; {
		i++
	}
	return ys[i] + (x-xs[i])/(xs[i+1]-xs[i])*(ys[i+1]-ys[i])
}

// horner is a polynomial's value, its coefficients from the lowest power up.
func horner(c []float64, x float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = v*x + c[i]
	}
	return v
}

// derivative is the polynomial that is c's slope.
func derivative(c []float64) []float64 {
	d := make([]float64, max(len(c)-1, 1))
	for i := 1; i < len(c); i++ {
		d[i-1] = float64(i) * c[i]
	}
	return d
}

// Span is the least and the greatest value within the scale, in the signal's
// unit; ok is false where there is no scale.
func (w *Wiring) Span(s Signal) (low, high float64, ok bool) {
	if !w.Scaled() {
		return 0, 0, false
	}
	var a, b float64
	if last := len(w.Raw) - 1; len(w.Coefficients) > 0 {
		a, b = horner(w.Coefficients, w.Raw[0]), horner(w.Coefficients, w.Raw[last])
	} else {
		column := w.column(s)
		a, b = column[0], column[len(column)-1]
	}
	return min(a, b), max(a, b), true
}

// slopeSteps is into how many parts a polynomial's range is cut to look at its
// slope. Between two of them a slope of a sensor's polynomial changes little.
const slopeSteps = 256

// Slopes is the least and the greatest change of the signal's value for one
// step of the raw value, within the scale. They have different signs where the
// scale turns back, so that two raw values mean the same.
func (w *Wiring) Slopes(s Signal) (least, greatest float64) {
	if !w.Scaled() {
		return 1, 1
	}
	least, greatest = math.Inf(1), math.Inf(-1)
	note := func(slope float64) { least, greatest = min(least, slope), max(greatest, slope) }
	first, last := w.Raw[0], w.Raw[len(w.Raw)-1]
	if len(w.Coefficients) > 0 {
		slope := derivative(w.Coefficients)
		for i := range slopeSteps + 1 {
			note(horner(slope, first+(last-first)*float64(i)/slopeSteps))
		}
		return least, greatest
	}
	column := w.column(s)
	for i := 1; i < len(w.Raw); i++ {
		note((column[i] - column[i-1]) / (w.Raw[i] - w.Raw[i-1]))
	}
	return least, greatest
}

// ResolutionMM is the most travel that one raw count means, or 0 where no scale
// is given or the raw value is a float.
func (w *Wiring) ResolutionMM() float64 {
	if !w.Scaled() || w.Type == F32 || w.Topic != "" {
		return 0
	}
	least, greatest := w.Slopes(Travel)
	return max(math.Abs(least), math.Abs(greatest))
}

// CheckScale is an error where the columns of the scale don't fit together, for
// sources whose wiring didn't come out of a site file. It says what to write.
func (w *Wiring) CheckScale(s Signal) error {
	if s.Binary() || len(w.Raw) == 0 {
		return nil
	}
	switch column := w.column(s); {
	case len(w.Raw) < 2:
		return fmt.Errorf("raw has one value; write at least two")
	case len(w.Coefficients) == 0 && len(column) != len(w.Raw):
		return fmt.Errorf("raw has %d values and what they mean has %d; write one for each", len(w.Raw), len(column))
	case len(w.Milliamps) > 0 && len(w.Milliamps) != len(w.Raw):
		return fmt.Errorf("raw has %d values and milliamps %d; write one for each", len(w.Raw), len(w.Milliamps))
	}
	return nil
}

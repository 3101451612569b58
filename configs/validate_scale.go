package configs

import (
	"fmt"
	"math"

	"gapward/sensors"
)

// scaleKeys are the columns of a scale.
func scaleKeys() []string { return []string{"raw", "mm", "celsius", "coefficients", "milliamps"} }

// scale checks that raw values mean something, each something else.
func (v *validator) scale(path string, signal sensors.Signal, w sensors.Wiring) {
	unit, other, to, example := "mm", "celsius", w.MM, "raw: [0, 4095], mm: [0, 10]"
	if signal == sensors.Temperature {
		unit, other, to, example = "celsius", "mm", w.Deg, "raw: [0, 4095], celsius: [-20, 120]"
	}
	raw, means, curve, loop := path+".raw", path+"."+unit, path+".coefficients", path+".milliamps"
	if where := path + "." + other; v.given(where) && v.sound(where) {
		v.wrong(where, signal.String()+" is not measured in "+map[string]string{"mm": "mm", "celsius": "°C"}[other], "write "+unit)
		return
	}
	if !v.sound(raw, means, curve, loop, path+".type", path+"."+other) {
		return
	}
	if v.given(means) && v.given(curve) {
		v.wrong(curve, "the signal has both "+unit+" and coefficients", "keep "+unit+" for a line or a table, or coefficients for a polynomial")
		return
	}
	switch hasRaw, hasMeans := v.given(raw), v.given(means) || v.given(curve); {
	case !hasRaw && !hasMeans && v.given(loop):
		v.wrong(loop, "milliamps is given without raw and "+unit, "write all three, as in raw: [0, 27648], milliamps: [4, 20], "+unit+": [0, 10]")
		return
	case !hasRaw && !hasMeans:
		register := v.given(path+".input") || v.given(path+".holding")
		if register && w.Type != sensors.F32 {
			v.wrong(path, "there is no scale: nothing says what a raw value means", "write "+example)
		}
		return
	case !hasRaw && v.given(curve):
		v.wrong(curve, "coefficients is given without raw", "write the two raw values between which the polynomial holds, as in raw: [0, 4095]")
		return
	case !hasRaw:
		v.wrong(means, unit+" is given without raw", "write both, as in "+example)
		return
	case !hasMeans:
		v.wrong(raw, "raw is given without "+unit, "write both, as in "+example)
		return
	}
	if v.points(raw, w, example) && v.meanings(means, curve, w, to, example) && v.loop(loop, w) {
		v.rawValues(raw, w)
	}
}

// points checks the column of raw values.
func (v *validator) points(raw string, w sensors.Wiring, example string) bool {
	switch n := len(w.Raw); {
	case n < 2:
		v.wrong(raw, fmt.Sprintf("has %s: a scale needs two, a table more", count(n, "value")), "write two or more, as in "+example)
	case len(w.Coefficients) > 0 && n != 2:
		v.wrong(raw, fmt.Sprintf("has %d values: a polynomial holds between two", n), "write the least and the greatest, as in raw: [0, 4095]")
	case n == 2 && w.Raw[0] == w.Raw[1]:
		v.wrong(raw, "both raw values are "+number(w.Raw[0]), "two different raw values make a scale, as in "+example)
	default:
		if at := turn(w.Raw); at > 0 {
			v.wrong(itemPath(raw, at), fmt.Sprintf("%s after %s: the raw values neither rise all the way nor fall", number(w.Raw[at]), number(w.Raw[at-1])), "put the table in the order of the raw values")
			return false
		}
		return true
	}
	return false
}

// meanings checks that each raw value means something else than the others:
// where two mean the same, so does all that lies between them.
func (v *validator) meanings(means, curve string, w sensors.Wiring, to []float64, example string) bool {
	if v.given(curve) {
		if len(w.Coefficients) < 2 {
			v.wrong(curve, "a polynomial needs two coefficients at least, those of powers 0 and 1", "write them from the lowest power up, as in coefficients: [0.1, 2.2e-3, 4e-8]")
			return false
		}
		signal := sensors.Travel // a polynomial is the same for every signal
		if least, greatest := w.Slopes(signal); !(least > 0 || greatest < 0) {
			v.wrong(curve, fmt.Sprintf("the polynomial turns back, or stands still, between %s and %s: two raw values would mean the same", number(w.Raw[0]), number(w.Raw[1])), "narrow raw to where it only rises or only falls, and check the order: lowest power first")
			return false
		}
		return true
	}
	switch {
	case len(to) != len(w.Raw):
		v.wrong(means, fmt.Sprintf("has %s for %s", count(len(to), "value"), count(len(w.Raw), "raw value")), "write what each raw value means, as in "+example)
	case len(to) == 2 && to[0] == to[1]:
		v.wrong(means, fmt.Sprintf("both values are %s: every raw value would mean the same", number(to[0])), "write what the two raw values mean, as in "+example)
	default:
		if at := turn(to); at > 0 {
			v.wrong(itemPath(means, at), fmt.Sprintf("%s after %s: the values neither rise all the way nor fall, so that two raw values would mean the same", number(to[at]), number(to[at-1])), "check the table")
			return false
		}
		return true
	}
	return false
}

// loop checks the currents of a current loop.
func (v *validator) loop(loop string, w sensors.Wiring) bool {
	if !v.given(loop) {
		return true
	}
	const most = 25 // mA: more is none of these loops
	if len(w.Milliamps) != len(w.Raw) {
		v.wrong(loop, fmt.Sprintf("has %s for %s", count(len(w.Milliamps), "value"), count(len(w.Raw), "raw value")), "write the current of each raw value, as in raw: [0, 27648], milliamps: [4, 20]")
		return false
	}
	for i, mA := range w.Milliamps {
		if mA < 0 || mA > most {
			v.wrong(itemPath(loop, i), number(mA)+" mA is no current of such a loop", "write 0 to 25, usually 4 and 20")
			return false
		}
	}
	if at := turn(w.Milliamps); at > 0 {
		v.wrong(itemPath(loop, at), fmt.Sprintf("%s after %s: the currents neither rise all the way nor fall", number(w.Milliamps[at]), number(w.Milliamps[at-1])), "write the current of each raw value, as in milliamps: [4, 20]")
		return false
	}
	return true
}

// rawValues checks that the register can hold the raw values.
func (v *validator) rawValues(raw string, w sensors.Wiring) {
	low, high, known := rawRange(w)
	for i, r := range w.Raw {
		if !known || r >= low && r <= high {
			continue
		}
		advice := "write the two raw values that the device gives"
		switch {
		case r < 0 && r >= math.MinInt16 && typeName(w) == sensors.U16:
			advice = "signed values need type: s16"
		case r < 0 && typeName(w) == sensors.U32:
			advice = "signed values need type: s32"
		}
		v.wrong(itemPath(raw, i), fmt.Sprintf("%s is no value of type %s, %s to %s", number(r), typeName(w), number(low), number(high)), advice)
		return
	}
}

// turn is the position of the first value that stands on the wrong side of the
// one before it, or equals it; 0 where all rise or all fall.
func turn(values []float64) int {
	for i := 1; i < len(values); i++ {
		if values[i] == values[i-1] || (values[i] > values[i-1]) != (values[1] > values[0]) {
			return i
		}
	}
	return 0
}

func typeName(w sensors.Wiring) sensors.DataType {
	if w.Type == "" {
		return sensors.U16
	}
	return w.Type
}

// rawRange is what a register of whole numbers can hold; known is false for
// everything else.
func rawRange(w sensors.Wiring) (low, high float64, known bool) {
	if w.Input == nil && w.Holding == nil {
		return 0, 0, false
	}
	switch w.Type {
	case sensors.U16, "":
		return 0, math.MaxUint16, true
	case sensors.S16:
		return math.MinInt16, math.MaxInt16, true
	case sensors.U32:
		return 0, math.MaxUint32, true
	case sensors.S32:
		return math.MinInt32, math.MaxInt32, true
	}
	return 0, 0, false
}

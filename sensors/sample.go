// Package sensors brings readings from the wire to one common form.
//
// A [Source] reads one device and sends what it read as [Sample]s in the
// units of the brake: millimetres of travel, zero or one for the drive and the
// release switch, degrees Celsius, milliseconds of times that the device has
// measured. Nothing here knows what a brake is or when
// a reading is alarming.
package sensors

import "fmt"

// Signal names what a reading is about.
type Signal uint8

// The signals of a brake. Tick belongs to no brake: it says that time passed.
const (
	Tick        Signal = iota // time passed; no brake and no value
	Travel                    // displacement probe, mm, arbitrary zero
	Drive                     // command that should free the brake, 0 or 1
	Released                  // release switch, 1 when the brake is free
	Temperature               // °C at the brake
	ReleaseTime               // release time as the device itself has measured it, ms; one sample a measurement
	SetTime                   // set time likewise
	numSignals
)

var signalNames = [numSignals]string{"tick", "travel", "drive", "released", "temperature", "release_ms", "set_ms"}

// Signals lists the signals of a brake in the order of their declaration.
func Signals() []Signal {
	return []Signal{Travel, Drive, Released, Temperature, ReleaseTime, SetTime}
}

func (s Signal) String() string {
	if s < numSignals {
		return signalNames[s]
	}
	return fmt.Sprintf("signal(%d)", uint8(s))
}

// Binary reports whether the signal takes only the values 0 and 1.
func (s Signal) Binary() bool { return s == Drive || s == Released }

// Measured reports whether the signal is a time that the device has measured:
// it is told once for each measurement, and says nothing in between.
func (s Signal) Measured() bool { return s == ReleaseTime || s == SetTime }

// ParseSignal is the inverse of [Signal.String].
func ParseSignal(name string) (Signal, error) {
	for i, n := range signalNames {
		if n == name {
			return Signal(i), nil
		}
	}
	return 0, fmt.Errorf("unknown signal %q; it must be one of travel, drive, released, temperature, release_ms, set_ms or tick", name)
}

// Quality says how far a reading can be trusted.
type Quality uint8

// A reading is good, or bad by the sensor's own word (out of its range, a
// broken wire, a payload that is no number), or there was none at all.
const (
	Good     Quality = iota
	Bad              // the sensor answered, but calls its own value invalid
	NoAnswer         // the device did not answer: only time passed
)

func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Bad:
		return "bad"
	case NoAnswer:
		return "no answer"
	}
	return fmt.Sprintf("quality(%d)", uint8(q))
}

// NoBrake is the brake of a [Tick].
const NoBrake = -1

// Sample is one reading of one signal.
type Sample struct {
	AtNS    int64   // UTC, nanoseconds since 1970; for a polled value the middle of request and reply, for a change that the device has stamped its own time
	Value   float64 // mm, 0 or 1, °C, ms; meaningless unless Quality is Good
	Brake   int32   // position in the site's list of brakes; NoBrake on a tick
	Signal  Signal
	Quality Quality
}

// TickAt is the sample that says that time has passed up to atNS.
func TickAt(atNS int64) Sample { return Sample{AtNS: atNS, Brake: NoBrake, Signal: Tick} }

// Package sensortest holds the conformance suite of [sensors.Source].
//
// A package that implements a source joins it with one test:
//
//	func TestConformance(t *testing.T) {
//		sensortest.Run(t, func(t *testing.T) sensortest.Harness {
//			device := startStandIn(t) // listening, its values set, cleaned up by t
//			return sensortest.Harness{
//				Source:   newSource(t, device.Address()),
//				Channels: channels,
//				Set:      device.Set,
//				Break:    device.Close,
//				Heal:     device.Listen,
//			}
//		})
//	}
//
// The suite speaks of devices, signals and samples only, so that every
// protocol can join it.
package sensortest

import (
	"testing"
	"time"

	"gapward/sensors"
)

// Harness is one stand-in device, already started, and a source that reads it
// and isn't running yet. The suite asks for a fresh one for every promise.
//
// Set, Break and Heal are called from the test's goroutine while Source runs;
// they return when the device has changed, not when the source has seen it.
type Harness struct {
	// Source reads the device. The suite calls Run once.
	Source sensors.Source

	// Channels are the signals that Source reads, each at most once. Brake
	// and Signal are what the samples must carry; the wiring is not looked at.
	Channels []sensors.Channel

	// Set makes the device's signal take a value, in the signal's own unit
	// (mm, 0 or 1, °C). While the device is broken, the value is the one that
	// must be seen after Heal.
	//
	// Nil for a source without a device, such as a recording; then Break and
	// Heal are nil too and only the promises that need none are tried.
	Set func(sensors.Signal, float64)

	// Break takes the device off the network: what Source reads or waits for
	// fails or never comes. Heal brings it back with its values. Each is
	// called only after the other.
	Break func()
	Heal  func()

	// Hang makes the device take connections and never answer, so that a read
	// blocks. It isn't followed by Heal. Optional.
	Hang func()

	// Spoil makes the device call the signal's value invalid, in whatever way
	// the protocol has, until the next Set. Optional.
	Spoil func(sensors.Signal)

	// Tolerance is how far a value may lie from the one set, because of the
	// resolution of the wire. 0 means 0.01.
	Tolerance float64

	// Within is how long the source may take to show a change, an outage or a
	// recovery. 0 means 3 s.
	Within time.Duration
}

func (h Harness) tolerance() float64 {
	if h.Tolerance > 0 {
		return h.Tolerance
	}
	return 0.01
}

func (h Harness) within() time.Duration {
	if h.Within > 0 {
		return h.Within
	}
	return 3 * time.Second
}

// stopWithin is the time that the contract of a source allows Run after its
// context has ended.
const stopWithin = time.Second

// Run tries every promise of the contract of [sensors.Source], each in a
// subtest of its own on a harness of its own from start.
func Run(t *testing.T, start func(t *testing.T) Harness) {
	for _, p := range promises() {
		t.Run(p.name, func(t *testing.T) {
			h := start(t)
			if !p.possible(h) {
				t.Skipf("the harness has no %s", p.needs)
			}
			if err := p.check(h); err != nil {
				t.Error(err)
			}
		})
	}
}

// A promise is one thing that the contract says. Its check returns an error
// rather than failing a test, so that the suite itself can be tried on sources
// that break their promises.
type promise struct {
	name  string
	needs string
	check func(Harness) error
}

func (p promise) possible(h Harness) bool {
	switch p.needs {
	case "device":
		return h.Set != nil && h.Break != nil && h.Heal != nil
	case "way to hang":
		return h.Hang != nil
	case "way to spoil a value":
		return h.Spoil != nil && h.Set != nil
	}
	return true
}

func promises() []promise {
	return []promise{
		{"HasAName", "", hasAName},
		{"KeepsOrder", "", keepsOrder},
		{"GivesBatchesAway", "", givesBatchesAway},
		{"ReturnsWhenAlreadyCancelled", "", returnsWhenAlreadyCancelled},
		{"ReturnsWhileReading", "", returnsWhileReading},
		{"ReturnsFromBlockedSend", "", returnsFromBlockedSend},
		{"LeavesNoGoroutine", "", leavesNoGoroutine},
		{"ReadsValues", "device", readsValues},
		{"ShowsOutage", "device", showsOutage},
		{"RecoversEveryTime", "device", recoversEveryTime},
		{"StartsWithoutDevice", "device", startsWithoutDevice},
		{"ReturnsDuringOutage", "device", returnsDuringOutage},
		{"ShowsHang", "way to hang", showsHang},
		{"ReturnsFromBlockedRead", "way to hang", returnsFromBlockedRead},
		{"ShowsBadValue", "way to spoil a value", showsBadValue},
	}
}

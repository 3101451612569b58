package configs

import (
	"fmt"
	"strings"
	"time"

	"gapward/sensors"
)

// What one count of a device's own clock or time may be.
const (
	finestStep   = time.Microsecond
	coarsestStep = time.Second
	// longer than a change may wait to be read
	shortestTurn = 2 * time.Second
)

// made checks what a device makes of times itself: stamps of changes, and
// measured release and set times.
func (v *validator) made(path string, signal sensors.Signal, w sensors.Wiring) {
	if v.given(path+".stamp") && v.sound(path+".stamp") {
		v.stamp(path+".stamp", signal, w)
	}
	if signal.Measured() {
		v.measured(path, signal, w)
		return
	}
	for _, key := range []string{"counter", "step", "u_ms"} {
		if where := path + "." + key; v.given(where) && v.sound(where) {
			v.wrong(where, "only release_ms and set_ms, which the device measures itself, have it", "take it out")
		}
	}
}

// stamp checks where a device keeps the time of a signal's latest change.
func (v *validator) stamp(path string, signal sensors.Signal, w sensors.Wiring) {
	s := w.Stamp
	input, holding, clock, step := path+".input", path+".holding", path+".clock", path+".step"
	needed := v.purpose == Run // a recording has the stamps in its times
	switch {
	case !signal.Binary():
		v.wrong(path, signal.String()+" doesn't change at a moment: only drive and released are stamped", "take it out")
		return
	case w.Topic != "":
		v.wrong(path, "a message has its sender's time in its payload", "write value and time, the places of both in it, in place of stamp")
		return
	case !v.sound(input, holding, clock):
	case v.given(input) && v.given(holding):
		v.wrong(holding, "the stamp has both input and holding", "it stands in one table, and the clock in the same: keep one")
	case needed && !v.given(input) && !v.given(holding):
		v.wrong(path, "has no register", "write input or holding, where the device keeps the time of the latest change")
	case needed && !v.given(clock):
		v.wrong(path, "has no clock: how long ago the change was can't be told", "write clock, the register of the same table in which the device shows its clock")
	case v.given(clock) && s.Address() != nil && *s.Clock == *s.Address():
		v.wrong(clock, fmt.Sprintf("%d is the register of the stamp", *s.Clock), "the device shows its clock in another")
	default:
		for where, at := range map[string]*uint16{input: s.Input, holding: s.Holding, clock: s.Clock} {
			if at != nil && int(*at)+stampWidth(s) > 65536 {
				v.wrong(where, "the second register would be beyond the last, 65535", "")
			}
		}
	}
	v.step(step, path, s.Step, true)
	if turn := stampTurn(s); v.sound(step, path+".type") && s.Step >= finestStep && turn < max(shortestTurn, 4*w.Poll) {
		v.wrong(step, fmt.Sprintf("a clock of %d bits that counts %s begins anew after %s: how old a stamp is can't be told", 16*stampWidth(s), span(s.Step), span(turn)), "write type: u32 if it has two registers, or poll more often")
	}
	if where := path + ".type"; v.given(where) && v.sound(where) && s.Type != sensors.U16 && s.Type != sensors.U32 {
		v.wrong(where, quoted(string(s.Type))+" is no type of a clock", "write u16 or u32, of stamp and clock alike")
	}
	if where := path + ".words"; v.given(where) && v.sound(where) {
		v.words(where, s.Words, !v.sound(path+".type") || s.Type == sensors.U32)
	}
}

// stampTurn is how long a clock takes to begin anew.
func stampTurn(s *sensors.Stamp) time.Duration {
	return s.Step << (16 * stampWidth(s))
}

func stampWidth(s *sensors.Stamp) int {
	if s.Type == sensors.U32 {
		return 2
	}
	return 1
}

// measured checks a time that the device measures.
func (v *validator) measured(path string, signal sensors.Signal, w sensors.Wiring) {
	counter := path + ".counter"
	for _, key := range append(scaleKeys(), "invert", "stale_after", "u_mm") {
		if where := path + "." + key; v.given(where) && v.sound(where) {
			v.wrong(where, signal.String()+" is a time that the device tells once it has measured it", "take it out; step is what one count of the register is")
		}
	}
	at := w.Input
	if at == nil {
		at = w.Holding
	}
	switch {
	case w.Topic != "", v.given(path + ".discrete"), v.given(path + ".coil"):
		v.wrong(path, signal.String()+" is read from a register", "write input or holding, and counter")
		return
	case !v.sound(counter):
	case v.purpose == Run && !v.given(counter):
		v.wrong(path, "has no counter: a value can't be told from the one before", "write counter, the register of the same table that counts the measurements")
	case v.given(counter) && at != nil:
		v.reach(counter, *at, *w.Counter, registers(w))
	}
	v.step(path+".step", path, w.Step, false)
	if where := path + ".u_ms"; v.given(where) && v.sound(where) && w.UMS < 0 {
		v.wrong(where, number(w.UMS)+" is below zero", "write the standard uncertainty of the device's measurement")
	}
}

// step checks what one count is.
func (v *validator) step(path, of string, d time.Duration, needed bool) {
	switch {
	case !v.sound(path):
	case needed && !v.given(path):
		v.wrong(of, "has no step: nothing says what one count of its clock is", "write step: 1ms, or what the device's list says")
	case v.given(path) && (d < finestStep || d > coarsestStep):
		v.wrong(path, span(d)+" is out of range", "write what one count is, 1µs to 1s")
	}
}

// reach checks that a measured time and its counter can be read at one moment.
func (v *validator) reach(path string, at, counter uint16, width int) {
	from, end := min(int(at), int(counter)), max(int(at)+width, int(counter)+1)
	switch {
	case at == counter:
		v.wrong(path, fmt.Sprintf("%d is the register of the time itself", at), "the counter is another")
	case end-from > sensors.CounterReach:
		v.wrong(path, fmt.Sprintf("%d and %d lie too far apart to be read at one moment", at, counter), fmt.Sprintf("a measured time and its counter may span %d registers", sensors.CounterReach))
	}
}

// counters checks that no counter is the register of something else; two times
// may share one. taken are the registers of values and stamps, by device, table
// and number.
func (v *validator) counters(taken map[string]string) {
	key := func(device string, holding bool, at uint16) string {
		table := "input"
		if holding {
			table = "holding"
		}
		return fmt.Sprintf("%s\n%s\n%d", device, table, at)
	}
	for i, b := range v.site.Brakes {
		for _, signal := range signalNames(b.Signals) {
			w, _ := b.Signals.Of(signal)
			where := brakePath(i) + ".signals." + signal.String()
			if s := w.Stamp; s != nil && s.Clock != nil {
				taken[key(w.Device, s.Holding != nil, *s.Clock)] = where + ".stamp.clock"
			}
		}
	}
	for i, b := range v.site.Brakes {
		for _, signal := range signalNames(b.Signals) {
			w, _ := b.Signals.Of(signal)
			where := brakePath(i) + ".signals." + signal.String() + ".counter"
			if w.Counter == nil || !v.sound(where) {
				continue
			}
			if other, ok := taken[key(w.Device, w.Holding != nil, *w.Counter)]; ok && other != strings.TrimSuffix(where, ".counter") {
				v.wrong(where, fmt.Sprintf("register %d of %s is read as %s already", *w.Counter, w.Device, other), "write the register that counts the measurements")
			}
		}
	}
}

// measuredWithoutDrive tells of times that belong to no cycle.
func (v *validator) measuredWithoutDrive(path string, s Signals) {
	if _, drive := s.Of(sensors.Drive); drive || v.purpose != Run || !v.sound(path+".drive") {
		return
	}
	for _, signal := range []sensors.Signal{sensors.ReleaseTime, sensors.SetTime} {
		if _, ok := s.Of(signal); ok {
			v.wrong(path+"."+signal.String(), "without a drive signal nothing says of which cycle it is", "wire the contactor's feedback or a motor-on signal as drive")
		}
	}
}

package configs

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"gapward/sensors"
)

const (
	shortestPoll = time.Millisecond
	longestPoll  = time.Hour
)

// signals checks how each signal of a brake is wired, and that there are
// enough of them for the purpose.
func (v *validator) signals(path string, s Signals) {
	if !v.sound(path) {
		return
	}
	if v.purpose == Run {
		_, travel := s.Of(sensors.Travel)
		_, drive := s.Of(sensors.Drive)
		_, released := s.Of(sensors.Released)
		misspelt := false
		for _, signal := range sensors.Signals() {
			misspelt = misspelt || v.spoiled[path+"."+signal.String()]
		}
		byHand := v.given(path) && len(s) == 0 // signals: {}, on purpose
		if !travel && !drive && !released && !misspelt && !byHand {
			v.wrong(path, "there is no signal to find cycles on", "name travel, drive or released, with the device and address of each; or write signals: {} for a brake judged by hand readings alone")
		}
	}
	for _, signal := range signalNames(s) {
		w, _ := s.Of(signal)
		if where := path + "." + signal.String(); v.sound(where) {
			v.device(where, w)
			v.payload(where, w)
			v.meaning(where, signal, w)
			v.made(where, signal, w)
			v.rate(where, w)
		}
	}
	v.measuredWithoutDrive(path, s)
}

// addressKeys are the keys of which a wired signal has exactly one.
func addressKeys() []string { return []string{"input", "holding", "discrete", "coil", "topic"} }

// device checks that the signal's device is there and of the kind that the
// address speaks of.
func (v *validator) device(path string, w sensors.Wiring) {
	var keys []string
	unread := false
	for _, key := range addressKeys() {
		if v.given(path + "." + key) {
			keys = append(keys, key)
		} else if !v.sound(path + "." + key) {
			unread = true
		}
	}
	if len(keys) > 1 {
		v.wrong(path+"."+keys[1], "the signal has "+listOf(keys, "and"), "a signal is read at one address: keep one")
		return
	}
	if slices.Contains(keys, "topic") && v.sound(path+".topic") {
		if fault := topicFault(w.Topic); fault != "" {
			v.wrong(path+".topic", fault, "write the whole topic, as in hall/trolley-3/travel")
		}
	}
	name := path + ".device"
	switch {
	case !v.sound(name):
		return
	case !v.given(name):
		if v.purpose == Run {
			v.wrong(path, "has no device", "write device: and the name of one under devices")
		}
		return
	}
	_, ok := v.site.Devices[w.Device]
	if !ok {
		if !v.sound("devices") || v.purpose == Replay && len(v.site.Devices) == 0 {
			return // nothing is known of the devices, or nothing needs to be
		}
		names := slices.Sorted(maps.Keys(v.site.Devices))
		advice := "the devices are " + listOf(names, "and")
		if len(names) == 0 {
			advice = "write it under devices:"
		} else if near := nearest(w.Device, names); near != "" {
			advice = "did you mean " + near + "?"
		}
		v.wrong(name, quoted(w.Device)+" is none of the devices", advice)
		return
	}
	where := devicePath(w.Device)
	modbus, mqtt := v.given(where+".modbus"), v.given(where+".mqtt")
	if !v.sound(where) || modbus == mqtt {
		return // told at the device
	}
	switch {
	case len(keys) == 0 && unread:
	case len(keys) == 0 && modbus:
		v.wrong(path, "has no address", w.Device+" is a Modbus device: write one of input, holding, discrete or coil with its address on the wire, from 0")
	case len(keys) == 0:
		v.wrong(path, "has no address", w.Device+" is an MQTT broker: write topic")
	case modbus && keys[0] == "topic":
		v.wrong(path+".topic", w.Device+" is a Modbus device and has no topics", "write one of input, holding, discrete or coil, or name an MQTT broker as the device")
	case mqtt && keys[0] != "topic":
		v.wrong(path+"."+keys[0], w.Device+" is an MQTT broker and has no registers or bits", "write topic, or name a Modbus device")
	}
	if v.purpose != Run {
		return // a recording may have come another way
	}
	if where := path + ".on_change"; modbus && v.given(where) && v.sound(where) {
		v.wrong(where, "a Modbus device is polled and can't report changes by itself", "write poll")
	} else if where := path + ".at_least_every"; modbus && v.given(where) && v.sound(where) {
		v.wrong(where, "a Modbus device is polled and can't report by itself", "write poll")
	}
}

// topicFault says what is wrong with a topic to subscribe to.
func topicFault(topic string) string {
	switch {
	case topic == "":
		return "is empty"
	case strings.ContainsAny(topic, "+#"):
		return quoted(topic) + " has a wildcard: it must name one topic"
	case strings.HasPrefix(topic, "/"), strings.HasSuffix(topic, "/"):
		return quoted(topic) + " begins or ends with a slash"
	case len(topic) > 65535:
		return "is longer than 65535 bytes"
	}
	return ""
}

// meaning checks what the raw value is and what it means.
func (v *validator) meaning(path string, signal sensors.Signal, w sensors.Wiring) {
	given := func(key string) bool { return v.given(path+"."+key) && v.sound(path+"."+key) }
	bit := v.given(path+".discrete") || v.given(path+".coil")
	register := v.given(path+".input") || v.given(path+".holding")

	if given("type") {
		switch {
		case !slices.Contains([]sensors.DataType{sensors.U16, sensors.S16, sensors.U32, sensors.S32, sensors.F32}, w.Type):
			v.wrong(path+".type", quoted(string(w.Type))+" is no type", "write u16, s16, u32, s32 or f32")
		case bit || v.given(path+".topic"):
			v.wrong(path+".type", "only registers have a type", "take it out")
		}
	}
	if given("words") {
		v.words(path+".words", w.Words, !v.sound(path+".type") || registers(w) == 2)
	}
	if register && v.sound(path+".type") && registers(w) == 2 {
		for _, key := range []string{"input", "holding"} {
			at := w.Input
			if key == "holding" {
				at = w.Holding
			}
			if at != nil && *at == math.MaxUint16 {
				v.wrong(path+"."+key, "the value's second register would be beyond the last, 65535", "")
			}
		}
	}
	if signal.Measured() {
		return
	}
	if given("u_mm") {
		switch {
		case signal != sensors.Travel:
			v.wrong(path+".u_mm", "only the travel has an uncertainty in mm", "take it out")
		case w.UMM < 0:
			v.wrong(path+".u_mm", mm(w.UMM)+" is below zero", "write the standard uncertainty of the probe's calibration")
		}
	}
	if given("invert") && !signal.Binary() {
		v.wrong(path+".invert", "only drive and released can be inverted", "to turn a reading round, swap the two values of raw")
	}
	if signal.Binary() {
		for _, key := range scaleKeys() {
			if given(key) {
				v.wrong(path+"."+key, signal.String()+" is 0 or 1 and has no scale", "take it out; invert: true makes 0 mean yes")
			}
		}
		return
	}
	if bit {
		for _, key := range []string{"discrete", "coil"} {
			if given(key) {
				v.wrong(path+"."+key, signal.String()+" can't be read from a single bit", "write input or holding")
			}
		}
		return
	}
	v.scale(path, signal, w)
}

// words checks in which order the bytes of two registers stand.
func (v *validator) words(path string, order sensors.WordOrder, two bool) {
	switch {
	case !slices.Contains([]sensors.WordOrder{sensors.ABCD, sensors.CDAB, sensors.BADC, sensors.DCBA}, order):
		v.wrong(path, quoted(string(order))+" is no order of bytes", "write abcd, cdab, badc or dcba")
	case !two:
		v.wrong(path, "only values of two registers have an order of words", "take it out, or write type: u32, s32 or f32")
	}
}

// registers is how many registers a value takes.
func registers(w sensors.Wiring) int {
	switch w.Type {
	case sensors.U32, sensors.S32, sensors.F32:
		return 2
	}
	return 1
}

// rate checks how often a signal is read or reported.
func (v *validator) rate(path string, w sensors.Wiring) {
	poll, change, least, stale := path+".poll", path+".on_change", path+".at_least_every", path+".stale_after"
	if v.given(poll) && (v.given(change) || v.given(least)) {
		other := "on_change"
		if !v.given(change) {
			other = "at_least_every"
		}
		v.wrong(poll, "the signal has both poll and "+other, "a signal is polled, or its device reports changes: keep poll, or on_change with at_least_every")
		return
	}
	for where, d := range map[string]time.Duration{poll: w.Poll, least: w.AtLeastEvery} {
		if v.given(where) && v.sound(where) && (d < shortestPoll || d > longestPoll) {
			v.wrong(where, span(d)+" is out of range", "write 1ms to 1h")
		}
	}
	if v.given(change) && v.sound(change) {
		switch {
		case w.OnChange <= 0:
			v.wrong(change, number(w.OnChange)+" is not above zero", "write how far the signal moves before the device reports it")
		case !v.given(least) && v.sound(least):
			v.wrong(path, "on_change needs at_least_every: else a device that is still can't be told from a dead one", "write at_least_every: 1s, or what the device is set to")
		}
	}
	if !v.given(stale) || !v.sound(stale, poll, least) {
		return
	}
	switch {
	case w.StaleAfter == 0:
		v.wrong(stale, "is zero", "write the silence that is a fault, or take the line out for a default")
	case w.StaleAfter <= w.Poll:
		v.wrong(stale, fmt.Sprintf("%s is not above poll, which is %s", span(w.StaleAfter), span(w.Poll)), "allow for a few polls that fail")
	case w.StaleAfter <= w.AtLeastEvery:
		v.wrong(stale, fmt.Sprintf("%s is not above at_least_every, which is %s", span(w.StaleAfter), span(w.AtLeastEvery)), "allow for a few reports that are late")
	}
}

// addresses checks that no two signals are read at one address: one of them
// would be the other's reading. A replay reads none.
func (v *validator) addresses() {
	if v.purpose != Run || !v.sound("brakes", "devices") {
		return
	}
	taken := map[string]string{}
	for i, b := range v.site.Brakes {
		for _, signal := range signalNames(b.Signals) {
			path := brakePath(i) + ".signals." + signal.String()
			w, _ := b.Signals.Of(signal)
			if w.Device == "" || !v.sound(path, path+".device", path+".type") {
				continue
			}
			for _, a := range occupied(w) {
				where := path + a.under + "." + a.key
				if !v.sound(where) {
					break
				}
				key := w.Device + "\n" + a.key + "\n" + a.at
				if other, ok := taken[key]; ok {
					v.wrong(where, fmt.Sprintf("%s %s of %s is read as %s already", a.key, a.at, w.Device, other), "give each signal an address of its own")
					break
				}
				taken[key] = path + a.under
			}
		}
	}
	v.counters(taken)
}

// address is where something of a signal is read: under which of its keys, in
// which table, at which register, bit or topic.
type address struct{ under, key, at string }

// occupied lists the addresses that a value and its stamp take on their device.
func occupied(w sensors.Wiring) []address {
	var list []address
	for i, at := range []*uint16{w.Input, w.Holding, w.Discrete, w.Coil} {
		if at == nil {
			continue
		}
		n := 1
		if i < 2 {
			n = registers(w)
		}
		for k := range n {
			list = append(list, address{"", addressKeys()[i], fmt.Sprint(int(*at) + k)})
		}
	}
	if s := w.Stamp; s != nil && s.Address() != nil {
		key := "holding"
		if s.Input != nil {
			key = "input"
		}
		for k := range stampWidth(s) {
			list = append(list, address{".stamp", key, fmt.Sprint(int(*s.Address()) + k)})
		}
	}
	if w.Topic != "" {
		at := quoted(w.Topic)
		if w.Value != "" {
			at += " at " + w.Value
		}
		list = append(list, address{"", "topic", at})
	}
	return list
}

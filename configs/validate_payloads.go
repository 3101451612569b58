package configs

import (
	"strings"

	"gapward/sensors"
	"gapward/sensors/mqtt"
)

// payload checks where in its topic's payload a signal stands.
func (v *validator) payload(path string, w sensors.Wiring) {
	value, at := path+".value", path+".time"
	for _, where := range []string{value, at} {
		if v.given(where) && v.sound(where) && !v.given(path+".topic") && v.sound(path+".topic") {
			v.wrong(where, "only the payload of a topic has places", "take it out, or write topic")
			return
		}
	}
	if !v.sound(value, at) {
		return
	}
	if v.given(value) && w.Value == "" {
		v.wrong(value, "is empty", "write where in the payload the value stands, as in /sensors/0/mm, or take it out where the payload is the value")
		return
	}
	if v.given(at) && w.Time == "" {
		v.wrong(at, "is empty", "write where in the payload the time stands, as in /ts, or arrival")
		return
	}
	if _, err := mqtt.NewForm(w); err != nil {
		where, text := value, err.Error()
		if v.given(at) && !strings.HasPrefix(text, "value: ") {
			where = at
		}
		text = strings.TrimPrefix(strings.TrimPrefix(text, "value: "), "time: ")
		fault, advice, _ := strings.Cut(text, "; ")
		if advice == "" {
			advice = "write a JSON pointer (RFC 6901), as in /sensors/0/mm"
		}
		v.wrong(where, fault, advice)
		return
	}
	timed := w.Time != "" && w.Time != sensors.ArrivalTime
	if d := v.site.Devices[w.Device]; v.purpose == Run && d.KeepSession && w.Topic != "" && !timed && v.sound(devicePath(w.Device)) {
		v.wrong(path, "its device keeps a session, and a message that the broker has kept says nothing by its arrival", "write value and time, the places of both in the payload, as in value: /v, time: /t")
	}
}

// places checks that on one topic no place is part of another: one of the two
// could then not be what it must be.
func (v *validator) places() {
	if v.purpose != Run || !v.sound("brakes", "devices") {
		return
	}
	type place struct {
		path    string
		pointer mqtt.Pointer
		isTime  bool
	}
	taken := map[string][]place{}
	for i, b := range v.site.Brakes {
		for _, signal := range signalNames(b.Signals) {
			path := brakePath(i) + ".signals." + signal.String()
			w, _ := b.Signals.Of(signal)
			if w.Topic == "" || !v.sound(path, path+".device", path+".topic", path+".value", path+".time") {
				continue
			}
			topic := w.Device + "\n" + w.Topic
			var mine []place
			for _, p := range []struct {
				key, text string
				isTime    bool
			}{{"value", w.Value, false}, {"time", w.Time, true}} {
				if !p.isTime && p.text == "" {
					p.text = "/v"
					if w.Time == "" {
						mine = append(mine, place{path: path + ".time", pointer: pointerTo("/t"), isTime: true})
					}
				}
				if p.text != "" && p.text != sensors.ArrivalTime {
					mine = append(mine, place{path: path + "." + p.key, pointer: pointerTo(p.text), isTime: p.isTime})
				}
			}
		conflicts:
			for _, m := range mine {
				for _, o := range taken[topic] {
					same := m.pointer.String() == o.pointer.String()
					if same && m.isTime == o.isTime || !m.pointer.Within(o.pointer) && !o.pointer.Within(m.pointer) {
						continue // two of one value are told elsewhere; a time may be everybody's
					}
					where := m.path
					if !v.given(where) {
						where = path
					}
					v.wrong(where, m.pointer.String()+" and "+o.pointer.String()+", which is "+o.path+", can't both be single values of one payload", "compare with what is published on "+quoted(w.Topic))
					break conflicts
				}
			}
			taken[topic] = append(taken[topic], mine...)
		}
	}
}

// pointerTo reads a pointer that has been found to be one.
func pointerTo(text string) mqtt.Pointer {
	p, _ := mqtt.ParsePointer(text)
	return p
}

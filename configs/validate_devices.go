package configs

import (
	"cmp"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// deviceNames lists the devices in the order of the file.
func (v *validator) deviceNames() []string {
	return slices.SortedFunc(maps.Keys(v.site.Devices), func(a, b string) int {
		p, q := v.place(devicePath(a)), v.place(devicePath(b))
		if p != q {
			return (p.line-q.line)*10_000_000 + p.column - q.column
		}
		return strings.Compare(a, b)
	})
}

func devicePath(name string) string { return joinPath("devices", name) }

// devices checks how each device is reached, and that no two are the same.
func (v *validator) devices() {
	reached := map[string]string{} // what a device is, and the name of the first that is it
	lines := map[string]line{}     // what is reached in one place, and as what first
	for _, name := range v.deviceNames() {
		path, d := devicePath(name), v.site.Devices[name]
		if name == "" || strings.IndexFunc(name, func(r rune) bool { return !isWordRune(r) || r == '.' }) >= 0 {
			v.wrong(path, quoted(name)+" is no name for a device", "use letters, digits, - and _")
		}
		if !v.sound(path) {
			continue
		}
		wire, broker := path+".modbus", path+".mqtt"
		switch {
		case v.given(wire) && v.given(broker):
			v.wrong(broker, "the device has both modbus and mqtt", "make two devices of it")
		case v.given(wire):
			v.modbusDevice(name, d, reached, lines)
		case v.given(broker):
			v.mqttDevice(name, d, reached)
		case v.sound(wire, broker):
			v.wrong(path, "says neither modbus nor mqtt", `write modbus: "tcp://127.0.0.1:502", modbus: "rtu:///dev/ttyUSB0?baud=19200&parity=even" or mqtt: "mqtt://127.0.0.1:1883"`)
		}
	}
}

// line is an address and the first device that has it.
type line struct {
	address modbus.Address
	device  string
}

// foreign complains of keys that belong to the other kind of device.
func (v *validator) foreign(path, kind string, keys ...string) {
	for _, key := range keys {
		if where := path + "." + key; v.given(where) && v.sound(where) {
			v.wrong(where, "means nothing for "+kind, "take it out")
		}
	}
}

func (v *validator) modbusDevice(name string, d sensors.Device, reached map[string]string, lines map[string]line) {
	path := devicePath(name)
	v.foreign(path, "a Modbus device", "user", "password_file", "client_id", "keep_session", "max_skew", "ca_file", "cert_file", "key_file", "server_name")
	v.timeout(path+".timeout", d.Timeout)
	v.pace(path, d)
	if !v.sound(path+".modbus", path+".unit") {
		return
	}
	address, err := modbus.ParseAddress(d.Modbus)
	if err != nil {
		fault, advice, _ := strings.Cut(err.Error(), "; ")
		v.wrong(path+".modbus", fault, advice)
		return
	}
	unit, serial := path+".unit", address.Scheme.Serial()
	switch {
	case serial && !v.given(unit):
		v.wrong(path, "a device on a serial line needs its unit", "write unit: 1, or what the device is set to")
		return
	case serial && d.Unit == 0:
		v.wrong(unit, "unit 0 speaks to all devices on a serial line, and none answers", "write 1 to 247, what the device is set to")
		return
	case serial && d.Unit > 247:
		v.wrong(unit, fmt.Sprintf("%d is no unit on a serial line", d.Unit), "write 1 to 247")
		return
	case d.Unit > 247 && d.Unit != 255:
		v.wrong(unit, fmt.Sprintf("%d is no unit", d.Unit), "write 0 to 247, or 255")
		return
	}
	where := cmp.Or(address.Path, address.Host)
	if first, ok := lines[where]; !ok {
		lines[where] = line{address, name}
	} else if first.address != address {
		v.wrong(path+".modbus", fmt.Sprintf("is %s, while %s is %s", address, devicePath(first.device), first.address),
			"devices on one line need the same settings")
		return
	}
	for _, name := range []string{"in_flight", "own_connection"} {
		if where := path + "." + name; serial && v.given(where) && v.sound(where) {
			v.wrong(where, "means nothing on a serial line, which carries one request at a time", "take it out")
		}
	}
	key := fmt.Sprintf("%s unit %d", address, d.Unit)
	if other, ok := reached[key]; ok {
		v.wrong(path+".modbus", fmt.Sprintf("is the same device as %s: %s", devicePath(other), key), "name a device once, and give all its signals that name")
		return
	}
	reached[key] = name
}

// mostInFlight is the most requests that one connection is given at once: the
// specification speaks of 1 to 16 (Messaging on TCP/IP V1.0b, 4.2.2).
const mostInFlight = 16

// pace checks what is said of how quickly the device answers, and how many
// requests it takes at once.
func (v *validator) pace(path string, d sensors.Device) {
	if where := path + ".turnaround"; v.given(where) && v.sound(where, path+".timeout") && (d.Turnaround <= 0 || d.Turnaround >= d.RequestTimeout()) {
		v.wrong(where, fmt.Sprintf("%s isn't between zero and the timeout, which is %s", span(d.Turnaround), span(d.RequestTimeout())), "write what the device needs to begin an answer, or take it out if it isn't known")
	}
	if where := path + ".in_flight"; v.given(where) && v.sound(where) && (d.InFlight < 1 || d.InFlight > mostInFlight) {
		v.wrong(where, fmt.Sprintf("%d is no number of requests to have under way at once", d.InFlight), fmt.Sprintf("write 1 to %d: what the device's maker says it takes, or take it out for 1", mostInFlight))
	}
}

func (v *validator) timeout(path string, d time.Duration) {
	if v.given(path) && v.sound(path) && (d < 5*time.Millisecond || d > time.Minute) {
		v.wrong(path, span(d)+" is no sensible time for an answer", "write 5ms to 1m, or take it out for "+span(sensors.DefaultTimeout))
	}
}

func (v *validator) mqttDevice(name string, d sensors.Device, reached map[string]string) {
	path := devicePath(name)
	v.foreign(path, "an MQTT device", "unit", "timeout", "turnaround", "in_flight", "own_connection")
	if v.given(path+".password_file") && !v.given(path+".user") && v.sound(path+".user") {
		v.wrong(path+".password_file", "a password needs a user", "write user: too")
	}
	for _, text := range []struct{ key, value string }{{"user", d.User}, {"password_file", d.PasswordFile}, {"client_id", d.ClientID},
		{"ca_file", d.CAFile}, {"cert_file", d.CertFile}, {"key_file", d.KeyFile}, {"server_name", d.ServerName}} {
		if where := path + "." + text.key; v.given(where) && v.sound(where) && text.value == "" {
			v.wrong(where, "is empty", "write it, or take the line out")
		}
	}
	v.session(path, d)
	if !v.sound(path + ".mqtt") {
		return
	}
	if fault, advice := brokerFault(d.MQTT); fault != "" {
		v.wrong(path+".mqtt", fault, advice)
		return
	}
	v.secure(path, d)
	if other, ok := reached[d.MQTT+" client "+d.ClientID]; ok && d.ClientID != "" && v.sound(path+".client_id") {
		v.wrong(path+".client_id", quoted(d.ClientID)+" is the client id of "+devicePath(other)+" too, and the broker lets only one of the two be connected", "give each its own")
	}
	reached[d.MQTT+" client "+d.ClientID] = name
	key := fmt.Sprintf("%s user %q", d.MQTT, d.User)
	if other, ok := reached[key]; ok {
		v.wrong(path+".mqtt", "is the same broker as "+devicePath(other), "name a broker once, and give all its topics that name")
		return
	}
	reached[key] = name
}

// longestSkew is how far a device's clock may be said to be off at most:
// everything that is measured waits as long.
const longestSkew = 10 * time.Second

// session checks what is said of the broker's session and the senders' clocks.
func (v *validator) session(path string, d sensors.Device) {
	if keep := path + ".keep_session"; d.KeepSession && v.sound(keep, path+".client_id") && !v.given(path+".client_id") {
		v.wrong(keep, "the broker can't keep a session for a client without a name of its own", "write client_id: too, and let nobody else use it")
	}
	skew := path + ".max_skew"
	if v.given(skew) && v.sound(skew) && (d.MaxSkew < 10*time.Millisecond || d.MaxSkew > longestSkew) {
		v.wrong(skew, span(d.MaxSkew)+" is out of range", "write 10ms to "+span(longestSkew)+", or take it out for "+span(sensors.DefaultMaxSkew)+"; a clock that is off by more must be set")
	}
}

// secure checks the keys that belong to TLS.
func (v *validator) secure(path string, d sensors.Device) {
	if !strings.HasPrefix(d.MQTT, "mqtts:") {
		for _, key := range []string{"ca_file", "cert_file", "key_file", "server_name"} {
			if where := path + "." + key; v.given(where) && v.sound(where) {
				v.wrong(where, "means nothing without TLS", "write mqtts:// in the address, or take it out")
			}
		}
		return
	}
	cert, key := path+".cert_file", path+".key_file"
	switch {
	case !v.sound(cert, key):
	case v.given(cert) && !v.given(key):
		v.wrong(cert, "a certificate needs its key", "write key_file: too")
	case v.given(key) && !v.given(cert):
		v.wrong(key, "a key needs its certificate", "write cert_file: too")
	}
}

// brokerFault says what is wrong with a broker's address, or nothing.
func brokerFault(address string) (fault, advice string) {
	const write = `write "mqtt://127.0.0.1:1883", or mqtts:// for TLS`
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "" || u.Opaque != "":
		return hideSecret(address) + " is no address of a broker", write
	case u.Scheme != "mqtt" && u.Scheme != "mqtts":
		return fmt.Sprintf("%s begins with %s, which is none of mqtt and mqtts", hideSecret(address), u.Scheme), write
	case u.User != nil:
		return "the address holds a user or password", "write user: and password_file: beside it"
	case u.Hostname() == "":
		return quoted(address) + " has no host", write
	case u.Path != "" && u.Path != "/", u.RawQuery != "", u.Fragment != "":
		return quoted(address) + " goes on after the port", write
	}
	return "", ""
}

// hideSecret quotes an address without what stands before an @.
func hideSecret(address string) string {
	if at := strings.LastIndexByte(address, '@'); at >= 0 {
		return quoted("…" + address[at:])
	}
	return quoted(address)
}

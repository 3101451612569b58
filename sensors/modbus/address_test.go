package modbus

import (
	"strings"
	"testing"
)

func TestParseAddress(t *testing.T) {
	for in, want := range map[string]string{
		"tcp://127.0.0.1:1502":                             "tcp://127.0.0.1:1502",
		"tcp://quay-io":                                    "tcp://quay-io:502",
		"tcp://quay-io/":                                   "tcp://quay-io:502",
		"tcp://[::1]:1502":                                 "tcp://[::1]:1502",
		"tcp://[fe80::1%25eth0]":                           "tcp://[fe80::1%eth0]:502",
		"rtu:///dev/ttyUSB0":                               "rtu:///dev/ttyUSB0?baud=19200&parity=even&stop=1",
		"rtu:///dev/t?baud=9600":                           "rtu:///dev/t?baud=9600&parity=even&stop=1",
		"rtu:///t?parity=none":                             "rtu:///t?baud=19200&parity=none&stop=2",
		"rtu+tcp://pit?baud=9600":                          "rtu+tcp://pit:502?baud=9600&parity=even&stop=1",
		"rtu:///dev/ttyUSB0?baud=115200&parity=odd&stop=1": "rtu:///dev/ttyUSB0?baud=115200&parity=odd&stop=1",
		"rtu:///t?parity=none&stop=1":                      "rtu:///t?baud=19200&parity=none&stop=1",
	} {
		a, err := ParseAddress(in)
		if err != nil {
			t.Errorf("%q: %v", in, err)
			continue
		}
		if a.String() != want {
			t.Errorf("%q is read as %q, want %q", in, a, want)
		}
		if a.Scheme != TCP && a.Scheme != RTUOverTCP || !strings.Contains(a.String(), "%") {
			again, err := ParseAddress(a.String())
			if err != nil || again != a {
				t.Errorf("%q doesn't read back as itself: %+v, %v", a, again, err)
			}
		}
	}
}

func TestParseAddressSaysWhatToWrite(t *testing.T) {
	for in, want := range map[string]string{
		"":                              `no Modbus address; write "tcp://host:port" or "rtu:///dev/ttyUSB0?baud=19200&parity=even"`,
		"10.20.0.5:502":                 `write "tcp://10.20.0.5:502"`,
		"/dev/ttyUSB0":                  `write "rtu:///dev/ttyUSB0?baud=19200&parity=even"`,
		"modbus://10.20.0.5":            `begins with "modbus://", which isn't known`,
		"rtu://dev/ttyUSB0":             `write three slashes: "rtu:///dev/ttyUSB0"`,
		"rtu://":                        `names no serial port`,
		"tcp://":                        `names no host; write "tcp://host:port"`,
		"tcp://:502":                    `names no host`,
		"tcp://a:0":                     `write one from 1 to 65535`,
		"tcp://a:65536":                 `write one from 1 to 65535`,
		"tcp://a:x":                     `can't be read`,
		"tcp://a:502/unit/1":            `has more than host and port; write "tcp://a:502"`,
		"tcp://a:502?baud=9600":         `has more than host and port`,
		"tcp://edge@a":                  `has a user name`,
		"rtu+tcp://a:502/dev":           `write "rtu+tcp://a:502"`,
		"rtu:///t?baud=fast":            `baud=fast; write the line's rate`,
		"rtu:///t?baud=0":               `baud=0; write the line's rate`,
		"rtu:///t?parity=E":             `write parity=even, parity=odd or parity=none`,
		"rtu:///t?stop=3":               `write stop=1 or stop=2`,
		"rtu:///t?bits=7":               `has bits, which isn't known`,
		"rtu:///t?baud=9600&baud=19200": `gives baud 2 times`,
		"rtu:///t?baud=9600;parity=odd": `can't be read`,
	} {
		_, err := ParseAddress(in)
		if err == nil {
			t.Errorf("%q was taken", in)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %q doesn't say %q", in, err, want)
		}
	}
}

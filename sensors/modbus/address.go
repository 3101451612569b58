package modbus

import (
	"fmt"
	"net"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"gapward/sensors"
)

// Scheme is how Modbus is carried.
type Scheme string

// The schemes: Modbus TCP, Modbus RTU on a serial line of this machine, and
// RTU frames through a TCP connection to a serial device server.
const (
	TCP        Scheme = "tcp"
	RTU        Scheme = "rtu"
	RTUOverTCP Scheme = "rtu+tcp"
)

// Serial reports whether requests end up on a serial line, where they take
// time by the character.
func (s Scheme) Serial() bool { return s == RTU || s == RTUOverTCP }

// Address is where Modbus devices are reached. Devices of one address share
// one connection or one line, and are asked one after the other.
type Address struct {
	Scheme Scheme
	Host   string // host:port, for TCP and RTUOverTCP
	Path   string // the serial port's file, for RTU
	Line   Line   // how the serial line runs, for RTU and RTUOverTCP
}

// Parity is the parity bit of a character on a serial line.
type Parity string

// The parities. The specification demands that every device offers even.
const (
	NoParity   Parity = "none"
	EvenParity Parity = "even"
	OddParity  Parity = "odd"
)

// Line is how a serial line runs.
type Line struct {
	Baud   int
	Parity Parity
	Stop   int // stop bits
}

// What Modbus over Serial Line V1.02 (2.2, 2.5.1) sets where nothing is said.
const (
	defaultPort = "502"
	defaultBaud = 19200
)

const addressForms = `write "tcp://host:port" or "rtu:///dev/ttyUSB0?baud=19200&parity=even"`

// ParseAddress reads a device's address as the site file has it:
//
//	tcp://host            Modbus TCP, port 502
//	tcp://host:port
//	rtu:///dev/ttyUSB0?baud=19200&parity=even&stop=1
//	rtu+tcp://host:port?baud=19200
//
// A serial line runs at 19200 Bd with even parity where nothing is said, and
// has one stop bit, or two without parity. The error says what to write
// instead.
func ParseAddress(s string) (Address, error) {
	if s == "" {
		return Address{}, fmt.Errorf("no Modbus address; %s", addressForms)
	}
	if !strings.Contains(s, "://") {
		return Address{}, withoutScheme(s)
	}
	u, err := url.Parse(s)
	if err != nil {
		return Address{}, fmt.Errorf("address %q can't be read (%v); %s", s, err, addressForms)
	}
	if u.User != nil || u.Fragment != "" {
		return Address{}, fmt.Errorf("address %q has a user name or a fragment, which Modbus doesn't know; %s", s, addressForms)
	}
	switch Scheme(u.Scheme) {
	case TCP:
		if u.RawQuery != "" || u.Path != "" && u.Path != "/" {
			return Address{}, fmt.Errorf("address %q has more than host and port; write %q", s, "tcp://"+u.Host)
		}
		host, err := hostPort(u, s)
		return Address{Scheme: TCP, Host: host}, err
	case RTUOverTCP:
		if u.Path != "" && u.Path != "/" {
			return Address{}, fmt.Errorf("address %q has a path after the port; write %q", s, "rtu+tcp://"+u.Host)
		}
		host, err := hostPort(u, s)
		if err != nil {
			return Address{}, err
		}
		line, err := parseLine(u, s)
		return Address{Scheme: RTUOverTCP, Host: host, Line: line}, err
	case RTU:
		if u.Host != "" {
			return Address{}, fmt.Errorf("address %q takes %q for a host; write three slashes: %q", s, u.Host, "rtu:///"+path.Join(u.Host, u.Path))
		}
		if u.Path == "" || u.Path == "/" {
			return Address{}, fmt.Errorf("address %q names no serial port; write for example \"rtu:///dev/ttyUSB0?baud=19200\"", s)
		}
		line, err := parseLine(u, s)
		return Address{Scheme: RTU, Path: u.Path, Line: line}, err
	}
	return Address{}, fmt.Errorf("address %q begins with %q, which isn't known; %s", s, u.Scheme+"://", addressForms)
}

// withoutScheme guesses what somebody meant who left the scheme out.
func withoutScheme(s string) error {
	if strings.HasPrefix(s, "/") {
		return fmt.Errorf("address %q says nothing of how to get there; write %q", s, "rtu://"+s+"?baud=19200&parity=even")
	}
	return fmt.Errorf("address %q says nothing of how to get there; write %q", s, "tcp://"+s)
}

func hostPort(u *url.URL, s string) (string, error) {
	host, port := u.Hostname(), u.Port()
	if host == "" {
		return "", fmt.Errorf("address %q names no host; write \"%s://host:port\"", s, u.Scheme)
	}
	if port == "" {
		port = defaultPort
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		return "", fmt.Errorf("address %q has port %s; write one from 1 to 65535, usually 502", s, port)
	}
	return net.JoinHostPort(host, port), nil
}

func parseLine(u *url.URL, s string) (Line, error) {
	l := Line{Baud: defaultBaud, Parity: EvenParity}
	query, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return l, fmt.Errorf("address %q: what follows the question mark can't be read (%v); write for example \"baud=19200&parity=even&stop=1\"", s, err)
	}
	for _, name := range sortedKeys(query) {
		values := query[name]
		if len(values) > 1 {
			return l, fmt.Errorf("address %q gives %s %d times; write it once", s, name, len(values))
		}
		v := values[0]
		switch name {
		case "baud":
			l.Baud, err = strconv.Atoi(v)
			if err != nil || l.Baud < 300 || l.Baud > 4_000_000 {
				return l, fmt.Errorf("address %q has baud=%s; write the line's rate in baud, for example baud=19200", s, v)
			}
		case "parity":
			l.Parity = Parity(v)
			if l.Parity != NoParity && l.Parity != EvenParity && l.Parity != OddParity {
				return l, fmt.Errorf("address %q has parity=%s; write parity=even, parity=odd or parity=none", s, v)
			}
		case "stop":
			l.Stop, err = strconv.Atoi(v)
			if err != nil || l.Stop < 1 || l.Stop > 2 {
				return l, fmt.Errorf("address %q has stop=%s; write stop=1 or stop=2", s, v)
			}
		default:
			return l, fmt.Errorf("address %q has %s, which isn't known; a serial line has baud, parity and stop", s, name)
		}
	}
	if l.Stop == 0 {
		l.Stop = 1
		if l.Parity == NoParity {
			l.Stop = 2 // a character keeps its 11 bits: Serial Line V1.02, 2.5.1
		}
	}
	return l, nil
}

func sortedKeys(v url.Values) []string {
	keys := make([]string, 0, len(v))
	for k := range v {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// String writes the address in full, every default spelt out.
func (a Address) String() string {
	line := fmt.Sprintf("?baud=%d&parity=%s&stop=%d", a.Line.Baud, a.Line.Parity, a.Line.Stop)
	switch a.Scheme {
	case RTU:
		return "rtu://" + a.Path + line
	case RTUOverTCP:
		return "rtu+tcp://" + a.Host + line
	}
	return "tcp://" + a.Host
}

// Bus names what a device at the address is asked over: devices of one bus
// share a connection or a line, and are asked one after the other.
func (a Address) Bus(name string, d sensors.Device) string {
	if d.OwnConn && a.Scheme == TCP {
		return a.place() + " for " + name
	}
	return a.place()
}

// place is what two devices share that are reached the same way, however the
// line between them may be described.
func (a Address) place() string {
	if a.Scheme == RTU {
		return a.Path
	}
	return a.Host
}

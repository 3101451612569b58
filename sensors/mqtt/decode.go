package mqtt

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"gapward/sensors"
)

// maxPayload is the longest payload that is looked at, in bytes.
const maxPayload = 16 << 10

// A Form is where in a payload the value and the time of one signal stand.
type Form struct {
	value, at Pointer
	free      bool // the site file names no place for the value
	dated     bool // a time may stand there …
	mustDate  bool // … and has to
}

// NewForm is the form of the payloads of a signal's topic.
//
// Where the wiring names no place for the value, the payload is a JSON number,
// true or false, or an object with the value in "v" and, if the sender has a
// clock, its time in "t". Where it does, the payload is any JSON with the value
// there. Its time is then that of arrival, unless the wiring names a place for
// it too: the sender must then always give it.
func NewForm(w sensors.Wiring) (Form, error) {
	f := Form{free: w.Value == "", dated: w.Value == "" && w.Time == ""}
	value, at := w.Value, w.Time
	if f.free {
		value = "/v"
	}
	if at == sensors.ArrivalTime || at == "" {
		at = "/t"
	} else {
		f.dated, f.mustDate = true, true
	}
	var err error
	if f.value, err = ParsePointer(value); err != nil {
		return f, fmt.Errorf("value: %w", err)
	}
	if f.at, err = ParsePointer(at); err != nil {
		return f, fmt.Errorf("time: %w", err)
	}
	switch {
	case f.mustDate && f.free:
		return f, errors.New("time names a place in the payload and value doesn't; write both, as in value: /v, time: /t")
	case f.mustDate && (f.at.Within(f.value) || f.value.Within(f.at)):
		return f, fmt.Errorf("value %s and time %s are one place, or one is part of the other", f.value, f.at)
	}
	return f, nil
}

// Decode turns a payload that arrived at arrivedNS (UTC, nanoseconds since
// 1970) into a sample of the channel.
//
// A time is RFC 3339 with any offset, or Unix seconds, or Unix milliseconds
// above 1e11. dated reports whether the sample's time is the sender's own;
// without one it is that of arrival. Whether to believe the sender's clock is
// not decided here.
//
// Nothing is guessed: for a payload that says anything else, or a value outside
// of the raw range, err says what is wrong, and the sample is one of quality
// [sensors.Bad], at its own time where that can be read.
func (f *Form) Decode(payload []byte, c sensors.Channel, arrivedNS int64) (s sensors.Sample, dated bool, err error) {
	bad := sensors.Sample{AtNS: arrivedNS, Brake: c.Brake, Signal: c.Signal, Quality: sensors.Bad}
	value, at, err := f.members(payload)
	if err != nil {
		return bad, false, err
	}
	if at != nil {
		ownNS, err := timeNS(at)
		if err != nil {
			return bad, false, err
		}
		bad.AtNS = ownNS
	}
	good := bad
	good.Quality = sensors.Good
	if good.Value, err = reading(value, c); err != nil {
		return bad, at != nil, err
	}
	return good, at != nil, nil
}

// members finds the value and the time in a payload, each as JSON; at is nil
// where there is no time.
func (f *Form) members(payload []byte) (value, at []byte, err error) {
	if len(payload) > maxPayload {
		return nil, nil, fmt.Errorf("the payload has more than the %d bytes that a reading may have", maxPayload)
	}
	payload = bytes.Trim(payload, " \t\r\n")
	if len(payload) == 0 {
		return nil, nil, errors.New("the payload is empty")
	}
	if !json.Valid(payload) {
		if f.free && payload[0] != '{' {
			return nil, nil, fmt.Errorf(`the payload %s is no JSON; it must be a number, true, false, or an object like {"t":"2026-11-25T01:02:03.5Z","v":4.25}`, shown(payload))
		}
		var whole json.RawMessage
		return nil, nil, fmt.Errorf("the payload %s is no JSON: %w", shown(payload), json.Unmarshal(payload, &whole))
	}
	if f.free && payload[0] != '{' {
		return payload, nil, nil
	}
	if value, err = f.value.find(payload); err != nil {
		return nil, nil, fmt.Errorf("the payload %s has no value at %s: %w", shown(payload), f.value, err)
	}
	if !f.dated {
		return value, nil, nil
	}
	at, err = f.at.find(payload)
	switch {
	case err == nil && string(at) != "null":
		return value, at, nil
	case !f.mustDate && (err == nil || errors.Is(err, errAbsent)):
		return value, nil, nil
	case err == nil:
		err = errors.New("it is null")
	}
	return nil, nil, fmt.Errorf("the payload %s has no time at %s: %w", shown(payload), f.at, err)
}

func afterSpace(text []byte) []byte { return bytes.TrimLeft(text, " \t\r\n") }

// firstValue splits the value off the front of a text that is known to be part
// of JSON.
func firstValue(text []byte) (value, rest []byte) {
	depth, inString := 0, false
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case inString && c == '\\':
			i++ // whatever is escaped
		case c == '"':
			inString = !inString
			if !inString && depth == 0 {
				return text[:i+1], text[i+1:]
			}
		case inString:
		case c == '{' || c == '[':
			depth++
		case depth == 0 && (c == ',' || c == '}' || c == ']' || c == ':' || c == ' ' || c == '\t' || c == '\r' || c == '\n'):
			return text[:i], text[i:] // the end of a number or a word
		case c == '}' || c == ']':
			depth--
			if depth == 0 {
				return text[:i+1], text[i+1:]
			}
		}
	}
	return text, nil
}

// reading turns the JSON of a value into the unit of the channel's signal.
func reading(value []byte, c sensors.Channel) (float64, error) {
	text := string(value)
	if text == "null" {
		return 0, errors.New("its value is null: the device calls its own reading invalid")
	}
	if c.Signal.Binary() {
		yes := false
		switch text {
		case "true", "1":
			yes = true
		case "false", "0":
		default:
			return 0, fmt.Errorf("its value %s must be 0, 1, true or false for %s", shown(value), c.Signal)
		}
		if yes != c.Wiring.Invert {
			return 1, nil
		}
		return 0, nil
	}

	if text[0] != '-' && (text[0] < '0' || text[0] > '9') {
		return 0, fmt.Errorf("its value %s must be a number for %s", shown(value), c.Signal)
	}
	raw, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(raw, 0) {
		return 0, fmt.Errorf("its value %s is no finite number", shown(value))
	}
	scaled, doubt := c.Wiring.Read(c.Signal, raw)
	if doubt != "" {
		return 0, fmt.Errorf("its value %s is in doubt: %s", shown(value), doubt)
	}
	return scaled, nil
}

// timeNS reads the JSON of a time, in nanoseconds since 1970.
func timeNS(at []byte) (int64, error) {
	if at[0] != '"' {
		return unixNS(string(at))
	}
	var text string
	if err := json.Unmarshal(at, &text); err != nil {
		return 0, fmt.Errorf("its time %s is no JSON: %w", shown(at), err)
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	// int64 nanoseconds reach into 2262.
	if err != nil || t.Year() < 1970 || t.Year() > 2261 {
		return 0, fmt.Errorf("its time %s is no RFC 3339 time between 1970 and 2261, like 2026-11-25T01:02:03.5Z", shown(at))
	}
	return t.UnixNano(), nil
}

// unixNS reads Unix seconds, or milliseconds where the number is above 1e11:
// as seconds that would be the year 5138, as milliseconds it is 1973. It works
// on the digits, because a float64 has none left for the microseconds.
func unixNS(text string) (int64, error) {
	whole, fraction, _ := strings.Cut(text, ".")
	n, err := strconv.ParseUint(whole, 10, 63)
	if err != nil || strings.ContainsAny(fraction, "eE+-") {
		return 0, fmt.Errorf("its time %s is neither RFC 3339 nor plain Unix seconds or milliseconds", shown([]byte(text)))
	}
	unit := int64(time.Second)
	if n > 1e11 {
		unit = int64(time.Millisecond)
	}
	if int64(n) >= math.MaxInt64/unit {
		return 0, fmt.Errorf("its time %s is no Unix time in seconds or milliseconds", shown([]byte(text)))
	}
	at := int64(n) * unit
	for _, digit := range fraction {
		unit /= 10
		at += int64(digit-'0') * unit
	}
	return at, nil
}

// shown quotes part of a payload for a message, cut where it is long.
func shown(text []byte) string {
	const most = 80
	if len(text) > most {
		return strconv.Quote(string(text[:most])) + "…"
	}
	return strconv.Quote(string(text))
}

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

const (
	// maxPayload is the longest payload that is looked at, in bytes.
	maxPayload = 16 << 10
	// maxAhead is how far a device's clock may be ahead of this machine's.
	maxAhead = 2 * time.Second
	// maxAge is how old a reading may be when it arrives, where its signal
	// has no stale_after.
	maxAge = time.Hour
)

// Decode turns a payload that arrived at arrivedNS (UTC, nanoseconds since
// 1970) into a sample of the channel.
//
// The payload is a JSON number, true or false, or an object with the value in
// "v" and, if the device has a clock, its time in "t": RFC 3339 with any
// offset, or Unix seconds, or Unix milliseconds above 1e11. Other members of
// the object are left alone. dated reports whether the sample's time is the
// device's own; without one it is that of arrival.
//
// Nothing is guessed: for a payload that says anything else, for a value
// outside of the raw range, for a time more than 2 s ahead of arrival or
// longer before it than the signal's stale_after (1 h where it has none), err
// says what is wrong, and the sample is one of quality [sensors.Bad] at the
// time of arrival.
func Decode(payload []byte, c sensors.Channel, arrivedNS int64) (s sensors.Sample, dated bool, err error) {
	bad := sensors.Sample{AtNS: arrivedNS, Brake: c.Brake, Signal: c.Signal, Quality: sensors.Bad}
	value, at, err := members(payload)
	if err != nil {
		return bad, false, err
	}
	good := bad
	good.Quality = sensors.Good
	if good.Value, err = reading(value, c); err != nil {
		return bad, false, err
	}
	if len(at) == 0 || string(at) == "null" {
		return good, false, nil
	}
	if good.AtNS, err = timeNS(at); err != nil {
		return bad, false, err
	}
	if ahead := time.Duration(good.AtNS - arrivedNS); ahead > maxAhead {
		return bad, false, fmt.Errorf("its time is %v ahead of this machine's clock; set the device's clock", ahead.Round(time.Millisecond))
	}
	oldest := maxAge
	if c.Wiring.StaleAfter > 0 {
		oldest = c.Wiring.StaleAfter
	}
	if age := time.Duration(arrivedNS - good.AtNS); age > oldest {
		return bad, false, fmt.Errorf("its time is %v behind this machine's clock, and a reading older than %v is stale; set the device's clock, or find what holds its readings up", age.Round(time.Millisecond), oldest)
	}
	return good, true, nil
}

// members finds the value and the time in a payload, each as JSON; at is empty
// where there is no time.
func members(payload []byte) (value, at []byte, err error) {
	if len(payload) > maxPayload {
		return nil, nil, fmt.Errorf("the payload has %d bytes, more than the %d that a reading may have", len(payload), maxPayload)
	}
	payload = bytes.Trim(payload, " \t\r\n")
	if len(payload) == 0 {
		return nil, nil, errors.New("the payload is empty")
	}
	if payload[0] != '{' {
		if !json.Valid(payload) {
			return nil, nil, fmt.Errorf(`the payload %s is no JSON; it must be a number, true, false, or an object like {"t":"2026-11-25T01:02:03.5Z","v":4.25}`, shown(payload))
		}
		return payload, nil, nil
	}
	if !json.Valid(payload) {
		var whole json.RawMessage
		return nil, nil, fmt.Errorf("the payload %s is no JSON: %w", shown(payload), json.Unmarshal(payload, &whole))
	}

	// What is known to be JSON can be gone through by hand. That costs a third
	// of decoding it, and unlike decoding into a map or a struct it shows when
	// a member stands there twice or differs in case.
	for rest := afterSpace(payload[1:]); rest[0] != '}'; rest = afterSpace(rest) {
		var name, member []byte
		name, rest = firstValue(rest)
		rest = afterSpace(rest)[1:] // the colon
		member, rest = firstValue(afterSpace(rest))
		if rest = afterSpace(rest); rest[0] == ',' {
			rest = rest[1:]
		}
		known := &value
		switch string(name) {
		case `"v"`:
		case `"t"`:
			known = &at
		default:
			continue
		}
		if *known != nil {
			return nil, nil, fmt.Errorf("the payload %s has %s twice", shown(payload), name)
		}
		*known = member
	}
	if value == nil {
		return nil, nil, fmt.Errorf(`the payload %s has no "v"`, shown(payload))
	}
	return value, at, nil
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

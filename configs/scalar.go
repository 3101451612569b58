package configs

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"gapward/gateway/page"
)

// readScalar fills a value that stands in one word: text, a number, a
// duration, or true and false.
func (r *reader) readScalar(n *yaml.Node, into reflect.Value, path string) {
	wrong := func(needs string) {
		r.complain(n, path, "needs "+needs+", found "+describe(n), "write "+example(path, into.Type()))
	}
	if into.Type() == reflect.TypeFor[time.Duration]() {
		d, ok := r.readDuration(n, path)
		if ok {
			into.SetInt(int64(d))
		}
		return
	}
	tag := n.ShortTag()
	scalar := n.Kind == yaml.ScalarNode
	switch into.Kind() {
	case reflect.String:
		if !scalar || tag != "!!str" {
			if scalar && !empty(n) {
				r.complain(n, path, "needs text, found "+describe(n), "put it in quotes: "+strconv.Quote(n.Value))
				return
			}
			wrong("text")
			return
		}
		if strings.TrimSpace(n.Value) != n.Value || strings.ContainsAny(n.Value, "\n\r\x00") {
			r.complain(n, path, "has a line break, or a space at an end", "write it on one line, without spaces around it")
			return
		}
		into.SetString(n.Value)
	case reflect.Bool:
		var v bool
		if !scalar || tag != "!!bool" || n.Decode(&v) != nil {
			wrong("true or false")
			return
		}
		into.SetBool(v)
	case reflect.Float64, reflect.Float32:
		var v float64
		if !scalar || (tag != "!!int" && tag != "!!float") || n.Decode(&v) != nil {
			wrong("a number")
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			r.complain(n, path, "needs a finite number, found "+n.Value, "write "+example(path, into.Type()))
			return
		}
		if r.octal(n, path) {
			return
		}
		into.SetFloat(v)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64,
		reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		r.readWhole(n, into, path, wrong)
	default:
		r.complain(n, path, "can't be set in a site file", "")
	}
}

// readWhole fills a whole number, within the bounds of its type.
func (r *reader) readWhole(n *yaml.Node, into reflect.Value, path string, wrong func(string)) {
	if n.Kind != yaml.ScalarNode || n.ShortTag() != "!!int" {
		wrong("a whole number")
		return
	}
	if r.octal(n, path) {
		return
	}
	var v int64
	err := n.Decode(&v)
	low, high := int64(math.MinInt32), int64(math.MaxInt32)
	if into.CanUint() {
		low, high = 0, int64(min(uint64(math.MaxInt32), 1<<into.Type().Bits()-1))
	}
	if err != nil || v < low || v > high {
		advice := ""
		if err == nil && v > high && slices.Contains(addressKeys(), lastKey(path)) {
			advice = "addresses are those on the wire and count from 0: 40001 in a data sheet is holding: 0"
		}
		r.complain(n, path, fmt.Sprintf("%s is out of range: it must be %d to %d", n.Value, low, high), advice)
		return
	}
	if into.CanUint() {
		into.SetUint(uint64(v))
	} else {
		into.SetInt(v)
	}
}

// octal complains of a number with leading zeros, which YAML would read in
// base eight: 010 is 8.
func (r *reader) octal(n *yaml.Node, path string) bool {
	digits := strings.TrimLeft(n.Value, "+-")
	if len(digits) < 2 || digits[0] != '0' || strings.ContainsAny(digits, ".eExXoObB_") {
		return false
	}
	r.complain(n, path, n.Value+" begins with a zero, which YAML reads in base eight", "write "+cmp.Or(strings.TrimLeft(digits, "0"), "0"))
	return true
}

// readDuration reads a Go duration: a number with its unit.
func (r *reader) readDuration(n *yaml.Node, path string) (time.Duration, bool) {
	switch {
	case n.Kind != yaml.ScalarNode || empty(n):
		r.complain(n, path, "needs a duration, found "+describe(n), "write "+example(path, reflect.TypeFor[time.Duration]()))
		return 0, false
	case n.ShortTag() == "!!int" || n.ShortTag() == "!!float":
		v := n.Value
		if v == "0" {
			return 0, true
		}
		r.complain(n, path, "the duration "+v+" has no unit", "write "+v+"ms or "+v+"s")
		return 0, false
	}
	d, err := time.ParseDuration(n.Value)
	if err != nil {
		advice := "write " + example(path, reflect.TypeFor[time.Duration]())
		if parts := durationParts().FindStringSubmatch(n.Value); parts != nil {
			if unit, ok := durationUnit(parts[2]); ok {
				advice = "write " + parts[1] + unit
			} else if parts[2] == "d" {
				if days, err := strconv.Atoi(parts[1]); err == nil {
					advice = fmt.Sprintf("the longest unit is the hour: write %dh", 24*days)
				}
			}
		}
		r.complain(n, path, quoted(n.Value)+" is no duration", advice)
		return 0, false
	}
	if d < 0 {
		r.complain(n, path, "the duration "+n.Value+" is below zero", "write "+example(path, reflect.TypeFor[time.Duration]()))
		return 0, false
	}
	return d, true
}

func durationParts() *regexp.Regexp {
	return regexp.MustCompile(`^([0-9.]{1,8})\s*([A-Za-zµ]{1,12})$`)
}

// durationUnit is the unit that Go knows for what people write.
func durationUnit(word string) (string, bool) {
	switch strings.ToLower(word) {
	case "us", "µs", "usec", "microseconds":
		return "us", true
	case "ms", "msec", "millis", "milliseconds":
		return "ms", true
	case "s", "sec", "secs", "second", "seconds":
		return "s", true
	case "m", "min", "mins", "minute", "minutes":
		return "m", true
	case "h", "hr", "hour", "hours":
		return "h", true
	}
	return "", false
}

func empty(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }

// describe says what a node is, for "found …".
func describe(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "keys with values"
	case yaml.SequenceNode:
		return "a list"
	case yaml.AliasNode:
		return "an alias"
	case yaml.ScalarNode:
	default:
		return "nothing"
	}
	switch n.ShortTag() {
	case "!!null":
		return "nothing"
	case "!!int", "!!float":
		return "the number " + n.Value
	case "!!bool":
		return n.Value
	case "!!timestamp":
		return "the date " + n.Value
	case "!!str":
		return "the text " + quoted(n.Value)
	}
	return quoted(n.Value) + " marked " + n.Tag
}

// lastKey is the key at the end of a path, without list positions.
func lastKey(path string) string {
	path = path[strings.LastIndexByte(path, '.')+1:]
	key, _, _ := strings.Cut(path, "[")
	return key
}

// example is something that may stand at a path.
func example(path string, t reflect.Type) string {
	switch lastKey(path) {
	case "raw":
		return "[0, 4095]"
	case "mm":
		return "[0, 10]"
	case "celsius":
		return "[-20, 120]"
	case "milliamps":
		return "[4, 20]"
	case "coefficients":
		return "[0.1, 2.2e-3, 4e-8]"
	case "data":
		return "./" + DefaultData
	case "model":
		return "QK-90"
	case "site":
		return "Kestrel Quay"
	case "listen":
		return page.DefaultListen
	case "modbus":
		return `"tcp://127.0.0.1:502"`
	case "mqtt":
		return `"mqtt://127.0.0.1:1883"`
	case "name":
		return "quay-2/main"
	case "kind":
		return "conical"
	}
	if t == reflect.TypeFor[time.Duration]() {
		return "20ms"
	}
	switch t.Kind() {
	case reflect.String:
		return "a word"
	case reflect.Bool:
		return "true or false"
	case reflect.Float64, reflect.Float32:
		return "1.6, say; the unit is in the key"
	default:
		return "6, say"
	}
}

// listAdvice says how a list is written.
func listAdvice(path string, item reflect.Type) string {
	if item.Kind() == reflect.Float64 {
		return "write " + example(path, item)
	}
	if item.Kind() == reflect.String {
		return "write " + lastKey(path) + ": [one, another]"
	}
	return "begin each item on a line of its own with a dash"
}

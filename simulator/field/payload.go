package field

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// document is the JSON that a device publishes on one topic: the values of its
// signals and its time, each where the site file says. It is put together from
// the places alone, by other code than the one that reads them.
type document struct{ root *node }

// node is a place in a document: a value where it has no members.
type node struct {
	names   []string
	members []*node
	slot    int // what stands there: the number of a value, or timeSlot
}

// timeSlot is the place of the time.
const timeSlot = -1

// mostItems is how long an array may become. A number beyond it is taken for
// the name of a member: where a site file says /20261125/mm nobody publishes
// twenty million items.
const mostItems = 256

// put gives a slot its place, a JSON pointer that the site file's reader has
// found to be in order.
func (d *document) put(pointer string, slot int) {
	if d.root == nil {
		d.root = &node{}
	}
	at := d.root
	for token := range strings.SplitSeq(strings.TrimPrefix(pointer, "/"), "/") {
		name := strings.NewReplacer("~1", "/", "~0", "~").Replace(token)
		at = at.member(name)
	}
	at.slot = slot
}

func (n *node) member(name string) *node {
	for i := range n.names {
		if n.names[i] == name {
			return n.members[i]
		}
	}
	m := &node{}
	n.names, n.members = append(n.names, name), append(n.members, m)
	return m
}

// write is the document with the device's time and its values; one that is no
// number is null.
func (d *document) write(atNS int64, values []float64) []byte {
	return d.root.append(make([]byte, 0, 64), atNS, values)
}

func (n *node) append(b []byte, atNS int64, values []float64) []byte {
	if len(n.names) == 0 {
		return appendLeaf(b, n.slot, atNS, values)
	}
	if items := n.items(); items > 0 {
		b = append(b, '[')
		for i := range items {
			if i > 0 {
				b = append(b, ',')
			}
			name := strconv.Itoa(i)
			k := 0
			for k < len(n.names) && n.names[k] != name {
				k++
			}
			if k == len(n.names) {
				b = append(b, "null"...)
			} else {
				b = n.members[k].append(b, atNS, values)
			}
		}
		return append(b, ']')
	}
	b = append(b, '{')
	for i, name := range n.names {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendText(b, name)
		b = append(b, ':')
		b = n.members[i].append(b, atNS, values)
	}
	return append(b, '}')
}

// items is how many items an array would have that these members are of; 0
// where one of them is no item.
func (n *node) items() int {
	most := 0
	for _, name := range n.names {
		i, err := strconv.Atoi(name)
		if err != nil || i < 0 || i >= mostItems || strconv.Itoa(i) != name {
			return 0
		}
		most = max(most, i+1)
	}
	return most
}

func appendLeaf(b []byte, slot int, atNS int64, values []float64) []byte {
	switch {
	case slot == timeSlot:
		b = append(b, '"')
		b = time.Unix(0, atNS).UTC().AppendFormat(b, "2006-01-02T15:04:05.000000Z")
		return append(b, '"')
	case math.IsNaN(values[slot]):
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, roundTo(values[slot], 7), 'f', -1, 64)
}

// appendText writes a name as a JSON string.
func appendText(b []byte, text string) []byte {
	b = append(b, '"')
	for _, r := range text {
		switch {
		case r == '"' || r == '\\':
			b = append(b, '\\', byte(r))
		case r < 0x20:
			b = append(b, `\u00`...)
			b = append(b, "0123456789abcdef"[r>>4], "0123456789abcdef"[r&15])
		default:
			b = append(b, string(r)...)
		}
	}
	return append(b, '"')
}

// roundTo rounds to a number of significant digits.
func roundTo(v float64, digits int) float64 {
	if v == 0 {
		return 0
	}
	scale := math.Pow(10, float64(digits-1)-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}

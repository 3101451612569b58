package export

import (
	"errors"
	"fmt"
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// The payload of Sparkplug B, version 3.0 (ISO/IEC 20237), as far as gapward
// speaks it. It is a small Protocol Buffers message, of which these are the
// fields' numbers, and the numbers of the data types, from the published
// sparkplug_b.proto.
const (
	payloadTimestamp protowire.Number = 1
	payloadMetric    protowire.Number = 2
	payloadSeq       protowire.Number = 3

	metricName       protowire.Number = 1
	metricTimestamp  protowire.Number = 3
	metricDatatype   protowire.Number = 4
	metricHistorical protowire.Number = 5
	metricNull       protowire.Number = 7
	metricProperties protowire.Number = 9
	metricLong       protowire.Number = 11
	metricDouble     protowire.Number = 13
	metricBoolean    protowire.Number = 14
	metricString     protowire.Number = 15

	propertyKeys   protowire.Number = 1
	propertyValues protowire.Number = 2
	valueType      protowire.Number = 1
	valueString    protowire.Number = 8
)

// datatype is a Sparkplug data type.
type datatype uint64

const (
	typeInt64    datatype = 4
	typeDouble   datatype = 10
	typeBoolean  datatype = 11
	typeString   datatype = 12
	typeDateTime datatype = 13 // milliseconds since 1970
)

// metric is one metric of a payload. The value is in the field that its type
// calls for.
type metric struct {
	name       string
	atMS       int64
	kind       datatype
	unit       string // told in births only; empty where there is none
	historical bool   // it was stored while nobody could be told
	null       bool   // there is no value
	whole      int64
	double     float64
	boolean    bool
	text       string
}

// spPayload is a whole payload.
type spPayload struct {
	atMS    int64
	seq     int // below 0: none
	metrics []metric
}

func appendVarintField(dst []byte, n protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(dst, n, protowire.VarintType), v)
}

func appendStringField(dst []byte, n protowire.Number, s string) []byte {
	return protowire.AppendString(protowire.AppendTag(dst, n, protowire.BytesType), s)
}

func appendBytesField(dst []byte, n protowire.Number, b []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(dst, n, protowire.BytesType), b)
}

// append appends the payload as Protocol Buffers.
func (p spPayload) append(dst []byte) []byte {
	dst = appendVarintField(dst, payloadTimestamp, uint64(p.atMS))
	var one []byte
	for _, m := range p.metrics {
		one = m.append(one[:0])
		dst = appendBytesField(dst, payloadMetric, one)
	}
	if p.seq >= 0 {
		dst = appendVarintField(dst, payloadSeq, uint64(p.seq))
	}
	return dst
}

// append appends the metric. The type goes with every one: the standard asks
// for it in births alone and would rather not see it elsewhere, but decoders
// that keep no births can't tell a value's type without it.
func (m metric) append(dst []byte) []byte {
	dst = appendStringField(dst, metricName, m.name)
	dst = appendVarintField(dst, metricTimestamp, uint64(m.atMS))
	dst = appendVarintField(dst, metricDatatype, uint64(m.kind))
	if m.historical {
		dst = appendVarintField(dst, metricHistorical, 1)
	}
	if m.unit != "" {
		value := appendStringField(appendVarintField(nil, valueType, uint64(typeString)), valueString, m.unit)
		set := appendBytesField(appendStringField(nil, propertyKeys, "engUnit"), propertyValues, value)
		dst = appendBytesField(dst, metricProperties, set)
	}
	if m.null {
		return appendVarintField(dst, metricNull, 1)
	}
	switch m.kind {
	case typeInt64, typeDateTime:
		dst = appendVarintField(dst, metricLong, uint64(m.whole))
	case typeDouble:
		dst = protowire.AppendFixed64(protowire.AppendTag(dst, metricDouble, protowire.Fixed64Type), math.Float64bits(m.double))
	case typeBoolean:
		dst = appendVarintField(dst, metricBoolean, protowire.EncodeBool(m.boolean))
	case typeString:
		dst = appendStringField(dst, metricString, m.text)
	}
	return dst
}

var errPayload = errors.New("it is no Sparkplug payload")

// eachField calls fn with each field of a message: a varint or fixed value in
// v, bytes in b. Groups and fields that fn doesn't know are for it to ignore.
func eachField(message []byte, fn func(n protowire.Number, v uint64, b []byte) error) error {
	for len(message) > 0 {
		n, wire, used := protowire.ConsumeTag(message)
		if used < 0 {
			return fmt.Errorf("%w: %w", errPayload, protowire.ParseError(used))
		}
		message = message[used:]
		var v uint64
		var b []byte
		switch wire {
		case protowire.VarintType:
			v, used = protowire.ConsumeVarint(message)
		case protowire.Fixed64Type:
			v, used = protowire.ConsumeFixed64(message)
		case protowire.BytesType:
			b, used = protowire.ConsumeBytes(message)
		default:
			used = protowire.ConsumeFieldValue(n, wire, message)
		}
		if used < 0 {
			return fmt.Errorf("%w: %w", errPayload, protowire.ParseError(used))
		}
		message = message[used:]
		if err := fn(n, v, b); err != nil {
			return err
		}
	}
	return nil
}

// rebirthName is the metric by which a host asks for all births anew.
const rebirthName = "Node Control/Rebirth"

// asksForRebirth reports whether a command has the rebirth metric set. It is
// the only command that gapward knows, and concerns gapward alone.
func asksForRebirth(command []byte) (asked bool, err error) {
	err = eachField(command, func(n protowire.Number, _ uint64, b []byte) error {
		if n != payloadMetric {
			return nil
		}
		var name string
		var value bool
		err := eachField(b, func(n protowire.Number, v uint64, b []byte) error {
			switch n {
			case metricName:
				name = string(b)
			case metricBoolean:
				value = v != 0
			}
			return nil
		})
		asked = asked || name == rebirthName && value
		return err
	})
	return asked && err == nil, err
}

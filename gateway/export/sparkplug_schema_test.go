package export

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
)

// sparkplugSchema is the part of the published sparkplug_b.proto (Eclipse
// Sparkplug 3.0, proto2) that plain metrics use, from memory; that it is right
// shows where the npm package reads the same payloads. It decodes them here by
// Go's own Protocol Buffers library, with none of gapward's code.
func sparkplugSchema(t testing.TB) protoreflect.MessageDescriptor {
	t.Helper()
	const (
		optional = descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL
		repeated = descriptorpb.FieldDescriptorProto_LABEL_REPEATED

		u32, u64, flag    = descriptorpb.FieldDescriptorProto_TYPE_UINT32, descriptorpb.FieldDescriptorProto_TYPE_UINT64, descriptorpb.FieldDescriptorProto_TYPE_BOOL
		text, bytes       = descriptorpb.FieldDescriptorProto_TYPE_STRING, descriptorpb.FieldDescriptorProto_TYPE_BYTES
		f32, f64, message = descriptorpb.FieldDescriptorProto_TYPE_FLOAT, descriptorpb.FieldDescriptorProto_TYPE_DOUBLE, descriptorpb.FieldDescriptorProto_TYPE_MESSAGE
	)
	field := func(name string, number int32, kind descriptorpb.FieldDescriptorProto_Type, label descriptorpb.FieldDescriptorProto_Label, of string) *descriptorpb.FieldDescriptorProto {
		f := &descriptorpb.FieldDescriptorProto{Name: &name, Number: &number, Type: &kind, Label: &label}
		if of != "" {
			f.TypeName = proto.String(".sparkplug." + of)
		}
		return f
	}
	file, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: proto.String("sparkplug_b.proto"), Package: proto.String("sparkplug"), Syntax: proto.String("proto2"),
		MessageType: []*descriptorpb.DescriptorProto{
			{Name: proto.String("PropertyValue"), Field: []*descriptorpb.FieldDescriptorProto{
				field("type", 1, u32, optional, ""), field("is_null", 2, flag, optional, ""), field("int_value", 3, u32, optional, ""), field("long_value", 4, u64, optional, ""),
				field("float_value", 5, f32, optional, ""), field("double_value", 6, f64, optional, ""), field("boolean_value", 7, flag, optional, ""), field("string_value", 8, text, optional, ""),
			}},
			{Name: proto.String("PropertySet"), Field: []*descriptorpb.FieldDescriptorProto{
				field("keys", 1, text, repeated, ""), field("values", 2, message, repeated, "PropertyValue"),
			}},
			{Name: proto.String("Metric"), Field: []*descriptorpb.FieldDescriptorProto{
				field("name", 1, text, optional, ""), field("alias", 2, u64, optional, ""), field("timestamp", 3, u64, optional, ""), field("datatype", 4, u32, optional, ""),
				field("is_historical", 5, flag, optional, ""), field("is_transient", 6, flag, optional, ""), field("is_null", 7, flag, optional, ""),
				field("properties", 9, message, optional, "PropertySet"),
				field("int_value", 10, u32, optional, ""), field("long_value", 11, u64, optional, ""), field("float_value", 12, f32, optional, ""),
				field("double_value", 13, f64, optional, ""), field("boolean_value", 14, flag, optional, ""), field("string_value", 15, text, optional, ""), field("bytes_value", 16, bytes, optional, ""),
			}},
			{Name: proto.String("Payload"), Field: []*descriptorpb.FieldDescriptorProto{
				field("timestamp", 1, u64, optional, ""), field("metrics", 2, message, repeated, "Metric"), field("seq", 3, u64, optional, ""),
				field("uuid", 4, text, optional, ""), field("body", 5, bytes, optional, ""),
			}},
		},
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return file.Messages().ByName("Payload")
}

// told is a decoded payload.
type told struct {
	hasSeq  bool
	seq     int
	atMS    int64
	metrics []toldMetric
}

// toldMetric is a decoded metric; value is a bool, int64, float64 or string,
// and nil for null.
type toldMetric struct {
	name       string
	atMS       int64
	kind       datatype
	historical bool
	unit       string
	value      any
}

// named finds a metric, which must be there once.
func (p told) named(t testing.TB, name string) (m toldMetric) {
	t.Helper()
	n := 0
	for _, one := range p.metrics {
		if one.name == name {
			m = one
			n++
		}
	}
	if n != 1 {
		t.Fatalf("%d metrics are called %s", n, name)
	}
	return m
}

// readSparkplug decodes a payload by the schema. A field that the schema
// doesn't have is an error.
func readSparkplug(t testing.TB, schema protoreflect.MessageDescriptor, payload []byte) (p told) {
	t.Helper()
	m := dynamicpb.NewMessage(schema)
	if err := proto.Unmarshal(payload, m); err != nil {
		t.Fatalf("%x: %v", payload, err)
	}
	get := func(m protoreflect.Message, name protoreflect.Name) (protoreflect.Value, bool) {
		f := m.Descriptor().Fields().ByName(name)
		return m.Get(f), m.Has(f)
	}
	if len(m.GetUnknown()) > 0 {
		t.Errorf("%x has unknown fields", payload)
	}
	if v, ok := get(m, "seq"); ok {
		p.hasSeq, p.seq = true, int(v.Uint())
	}
	if v, ok := get(m, "timestamp"); ok {
		p.atMS = int64(v.Uint())
	}
	list, _ := get(m, "metrics")
	for i := range list.List().Len() {
		one := list.List().Get(i).Message()
		if len(one.GetUnknown()) > 0 {
			t.Errorf("a metric of %x has unknown fields", payload)
		}
		var got toldMetric
		name, _ := get(one, "name")
		at, _ := get(one, "timestamp")
		kind, _ := get(one, "datatype")
		historical, _ := get(one, "is_historical")
		got.name, got.atMS, got.kind, got.historical = name.String(), int64(at.Uint()), datatype(kind.Uint()), historical.Bool()
		if v, ok := get(one, "long_value"); ok {
			got.value = int64(v.Uint())
		}
		if v, ok := get(one, "double_value"); ok {
			got.value = v.Float()
		}
		if v, ok := get(one, "boolean_value"); ok {
			got.value = v.Bool()
		}
		if v, ok := get(one, "string_value"); ok {
			got.value = v.String()
		}
		if null, _ := get(one, "is_null"); null.Bool() == (got.value != nil) {
			t.Errorf("metric %s has the value %v, and null is %v", got.name, got.value, null.Bool())
		}
		if v, ok := get(one, "properties"); ok {
			keys, _ := get(v.Message(), "keys")
			values, _ := get(v.Message(), "values")
			if keys.List().Len() != 1 || values.List().Len() != 1 || keys.List().Get(0).String() != "engUnit" {
				t.Errorf("metric %s has the properties %v", got.name, v)
			} else {
				unit, _ := get(values.List().Get(0).Message(), "string_value")
				got.unit = unit.String()
			}
		}
		p.metrics = append(p.metrics, got)
	}
	return p
}

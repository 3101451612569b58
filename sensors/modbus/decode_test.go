package modbus

import (
	"bytes"
	"encoding/binary"
	"math"
	"testing"

	"gapward/sensors"
)

// encodeRegisters is the way back. Its swaps are written apart from the
// decoder's: each order is a permutation of the most significant first form.
func encodeRegisters(v float64, t sensors.DataType, order sensors.WordOrder) []byte {
	var b []byte
	switch t {
	case "", sensors.U16:
		return binary.BigEndian.AppendUint16(nil, uint16(v))
	case sensors.S16:
		return binary.BigEndian.AppendUint16(nil, uint16(int16(v)))
	case sensors.U32:
		b = binary.BigEndian.AppendUint32(nil, uint32(v))
	case sensors.S32:
		b = binary.BigEndian.AppendUint32(nil, uint32(int32(v)))
	case sensors.F32:
		b = binary.BigEndian.AppendUint32(nil, math.Float32bits(float32(v)))
	}
	out := make([]byte, 4)
	for to, from := range map[sensors.WordOrder][4]int{
		"": {0, 1, 2, 3}, sensors.ABCD: {0, 1, 2, 3}, sensors.CDAB: {2, 3, 0, 1},
		sensors.BADC: {1, 0, 3, 2}, sensors.DCBA: {3, 2, 1, 0},
	}[order] {
		out[to] = b[from]
	}
	return out
}

// The bytes of 32-bit values are those of IEEE 754 and two's complement,
// worked out by hand: 123456.78 is 47F1 2064 (the value nearest to it).
func TestDecodeRegisters(t *testing.T) {
	for _, c := range []struct {
		data  []byte
		t     sensors.DataType
		order sensors.WordOrder
		want  float64
	}{
		{[]byte{0x02, 0x2B}, "", "", 555},
		{[]byte{0xFF, 0xFF}, sensors.U16, "", 65535},
		{[]byte{0xFF, 0xFE}, sensors.S16, "", -2},
		{[]byte{0x80, 0x00}, sensors.S16, sensors.DCBA, -32768}, // one register has no word order
		{[]byte{0x00, 0x01, 0x86, 0xA0}, sensors.U32, "", 100000},
		{[]byte{0x86, 0xA0, 0x00, 0x01}, sensors.U32, sensors.CDAB, 100000},
		{[]byte{0x01, 0x00, 0xA0, 0x86}, sensors.U32, sensors.BADC, 100000},
		{[]byte{0xA0, 0x86, 0x01, 0x00}, sensors.U32, sensors.DCBA, 100000},
		{[]byte{0xFF, 0xFF, 0xFF, 0xFF}, sensors.U32, "", 4294967295},
		{[]byte{0xFF, 0xFE, 0x79, 0x60}, sensors.S32, sensors.ABCD, -100000},
		{[]byte{0x47, 0xF1, 0x20, 0x64}, sensors.F32, sensors.ABCD, 123456.78125},
		{[]byte{0x20, 0x64, 0x47, 0xF1}, sensors.F32, sensors.CDAB, 123456.78125},
		{[]byte{0x7F, 0x80, 0x00, 0x00}, sensors.F32, "", math.Inf(1)},
		{[]byte{0x02, 0x2B, 0xAA}, "", "", 555}, // what follows belongs to others
	} {
		got, err := DecodeRegisters(c.data, c.t, c.order)
		if err != nil || got != c.want {
			t.Errorf("% x as %s %s is %v (%v), want %v", c.data, c.t, c.order, got, err, c.want)
		}
	}
	if v, err := DecodeRegisters([]byte{0x7F, 0xC0, 0, 0}, sensors.F32, ""); err != nil || !math.IsNaN(v) {
		t.Errorf("7FC00000 as f32 is %v (%v), want no number", v, err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	for _, c := range []struct {
		data  []byte
		t     sensors.DataType
		order sensors.WordOrder
	}{
		{nil, "", ""}, {[]byte{1}, "", ""}, {[]byte{1, 2, 3}, sensors.F32, ""},
		{[]byte{1, 2, 3, 4}, "f64", ""}, {[]byte{1, 2, 3, 4}, sensors.U32, "acbd"},
	} {
		if v, err := DecodeRegisters(c.data, c.t, c.order); err == nil {
			t.Errorf("% x as %s %s is taken for %v", c.data, c.t, c.order, v)
		}
	}
	for _, i := range []int{-1, 8, 1 << 30} {
		if _, err := DecodeBit([]byte{0xFF}, i); err == nil {
			t.Errorf("bit %d of one byte is taken", i)
		}
	}
}

// The bytes and what they mean are the specification's example of reading
// discrete inputs 197 to 218 (V1.1b3, 6.2): inputs 204 to 197 are AC, 1010
// 1100, and 218 is the sixth of the last byte, 35.
func TestDecodeBit(t *testing.T) {
	data := []byte{0xAC, 0xDB, 0x35}
	for input, want := range map[int]bool{197: false, 198: false, 199: true, 200: true, 204: true, 218: true, 217: true, 216: false} {
		got, err := DecodeBit(data, input-197)
		if err != nil || got != want {
			t.Errorf("input %d is %v (%v), want %v", input, got, err, want)
		}
	}
}

func FuzzDecodeEncode(f *testing.F) {
	f.Add([]byte{0x47, 0xF1, 0x20, 0x64}, uint8(4), uint8(1))
	f.Add([]byte{0xFF, 0xFE, 0x79, 0x60}, uint8(3), uint8(3))
	f.Add([]byte{0x80, 0x00}, uint8(1), uint8(0))
	f.Add([]byte{0x01}, uint8(0), uint8(0))
	f.Add([]byte{}, uint8(9), uint8(9))
	types := []sensors.DataType{sensors.U16, sensors.S16, sensors.U32, sensors.S32, sensors.F32, "", "f64"}
	orders := []sensors.WordOrder{sensors.ABCD, sensors.CDAB, sensors.BADC, sensors.DCBA, "", "abdc"}
	f.Fuzz(func(t *testing.T, data []byte, ti, oi uint8) {
		typ, order := types[int(ti)%len(types)], orders[int(oi)%len(orders)]
		v, err := DecodeRegisters(data, typ, order)
		if err != nil || math.IsNaN(v) { // of the many forms of no number, a float64 keeps not all
			return
		}
		n, err := Registers(typ)
		if err != nil {
			t.Fatalf("a value of type %s was decoded", typ)
		}
		if back := encodeRegisters(v, typ, order); !bytes.Equal(back, data[:2*n]) {
			t.Errorf("% x as %s %s is %v, which is % x", data[:2*n], typ, order, v, back)
		}
	})
}

package modbus

import (
	"encoding/binary"
	"fmt"
	"math"

	"gapward/sensors"
)

// Registers is how many 16-bit registers a value of type t takes.
func Registers(t sensors.DataType) (uint16, error) {
	switch t {
	case "", sensors.U16, sensors.S16:
		return 1, nil
	case sensors.U32, sensors.S32, sensors.F32:
		return 2, nil
	}
	return 0, fmt.Errorf("unknown register type %q; write u16, s16, u32, s32 or f32", t)
}

// DecodeRegisters reads one number from the front of the bytes of consecutive
// registers, as they stand in a reply. An f32 may come out as no number or as
// an infinity: it's what the device said.
//
// The word order is looked at for 32-bit types only: the order of bytes in one
// register is the specification's.
func DecodeRegisters(data []byte, t sensors.DataType, order sensors.WordOrder) (float64, error) {
	n, err := Registers(t)
	if err != nil {
		return 0, err
	}
	if len(data) < int(2*n) {
		return 0, fmt.Errorf("%d bytes are too few for a value of type %s", len(data), t)
	}
	switch t {
	case "", sensors.U16:
		return float64(binary.BigEndian.Uint16(data)), nil
	case sensors.S16:
		return float64(int16(binary.BigEndian.Uint16(data))), nil
	}
	var v uint32
	a, b, c, d := uint32(data[0]), uint32(data[1]), uint32(data[2]), uint32(data[3])
	switch order {
	case "", sensors.ABCD:
		v = a<<24 | b<<16 | c<<8 | d
	case sensors.CDAB:
		v = c<<24 | d<<16 | a<<8 | b
	case sensors.BADC:
		v = b<<24 | a<<16 | d<<8 | c
	case sensors.DCBA:
		v = d<<24 | c<<16 | b<<8 | a
	default:
		return 0, fmt.Errorf("unknown word order %q; write abcd, cdab, badc or dcba", order)
	}
	switch t {
	case sensors.U32:
		return float64(v), nil
	case sensors.S32:
		return float64(int32(v)), nil
	}
	return float64(math.Float32frombits(v)), nil
}

// DecodeBit reads bit i of a reply to a read of coils or discrete inputs, the
// first bit being the lowest of the first byte.
func DecodeBit(data []byte, i int) (bool, error) {
	if i < 0 || i/8 >= len(data) {
		return false, fmt.Errorf("%d bytes have no bit %d", len(data), i)
	}
	return data[i/8]>>(i%8)&1 == 1, nil
}

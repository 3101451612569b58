package modbus

import (
	"encoding/binary"
	"fmt"
)

// The frame of Modbus TCP (Messaging on TCP/IP V1.0b, 3.1.3): transaction,
// protocol, length of what follows, unit, then at most 253 bytes of function
// and data.
const (
	headerBytes = 7
	maxFrame    = 260
	minFrame    = headerBytes + 2 // a function and at least one byte
)

// frameLength is the length of the frame at the front of b, or 0 while b is
// too short to tell or doesn't hold all of it. An error says that b is no
// Modbus TCP: where its next frame begins can't be known.
func frameLength(b []byte) (int, error) {
	if len(b) >= 4 && binary.BigEndian.Uint16(b[2:]) != 0 {
		return 0, fmt.Errorf("what came is no Modbus TCP: protocol %d in place of 0 (% x…)", binary.BigEndian.Uint16(b[2:]), b[:4])
	}
	if len(b) < 6 {
		return 0, nil
	}
	n := 6 + int(binary.BigEndian.Uint16(b[4:]))
	if n < minFrame || n > maxFrame {
		return 0, fmt.Errorf("what came is no Modbus TCP: a frame of %d bytes, and one has %d to %d", n, minFrame, maxFrame)
	}
	if len(b) < n {
		return 0, nil
	}
	return n, nil
}

// An RTU frame (Serial Line V1.02, 2.3) is the unit, then function and data,
// then the check.
const (
	rtuOverhead  = 1 + 2
	maxRTUFrame  = 256
	exceptionRTU = rtuOverhead + 2
)

// crc16 is the check of an RTU frame, the remainder by the reflected polynomial
// A001h with the register full of ones at first (Serial Line V1.02, 6.2.2). Its
// low byte goes first.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			low := crc & 1
			crc = crc>>1 ^ 0xA001*low
		}
	}
	return crc
}

// rtuRequest writes the frame of a request into b.
func rtuRequest(b []byte, a *ask) []byte {
	b = a.appendTo(append(b[:0], a.unit))
	return binary.LittleEndian.AppendUint16(b, crc16(b))
}

// rtuPDU takes unit and check off a whole frame.
func rtuPDU(frame []byte) ([]byte, error) {
	body := len(frame) - 2
	if got, want := binary.LittleEndian.Uint16(frame[body:]), crc16(frame[:body]); got != want {
		return nil, fmt.Errorf("the answer's check is %04X, and %04X by its bytes: a disturbed line, or another baud or parity", got, want)
	}
	return frame[1:body], nil
}

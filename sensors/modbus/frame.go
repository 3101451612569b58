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
	rtuOverhead     = 1 + 2
	rtuRequestBytes = rtuOverhead + 5
	maxRTUFrame     = 256
	exceptionRTU    = rtuOverhead + 2
)

package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// The frame of Modbus TCP (Messaging on TCP/IP V1.0b, 3.1.3): transaction,
// protocol, length of what follows, unit, then at most 253 bytes of function
// and data.
const (
	headerBytes  = 7
	maxFrame     = 260
	minFrame     = headerBytes + 2 // a function and at least one byte
	exceptionLen = headerBytes + 2
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

// answers reports whether a whole frame answers the request.
func answers(frame, request []byte) bool {
	return frame[0] == request[0] && frame[1] == request[1] && frame[6] == request[6]
}

// checkException is an error where a frame has the form of an exception and
// the wrong length for one.
func checkException(frame []byte) error {
	if frame[headerBytes]&0x80 != 0 && len(frame) != exceptionLen {
		return fmt.Errorf("an exception of %d bytes, and one has %d", len(frame), exceptionLen)
	}
	return nil
}

var errShortRequest = errors.New("a request shorter than its header")

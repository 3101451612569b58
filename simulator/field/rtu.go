package field

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"time"
)

// Limits of an RTU frame (Modbus over Serial Line V1.02, 2.3 and 2.5.1).
const (
	maxRTU     = 256
	minRTU     = 4 // unit, function and the check
	readFrame  = 8 // a request of functions 01 to 04
	checkBytes = 2
)

// check is the CRC-16 of an RTU frame, bit by bit as section 6.2.2 has it. On
// the wire its low byte comes first.
func check(frame []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range frame {
		crc ^= uint16(b)
		for range 8 {
			odd := crc&1 == 1
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// appendCheck closes a frame.
func appendCheck(frame []byte) []byte {
	return binary.LittleEndian.AppendUint16(frame, check(frame))
}

// checked reports whether the bytes are a whole frame with the right check.
func checked(frame []byte) bool {
	body := len(frame) - checkBytes
	return len(frame) >= minRTU && binary.LittleEndian.Uint16(frame[body:]) == check(frame[:body])
}

// asksToRead reports whether the bytes are a complete request to read, so that
// nothing more needs to be waited for.
func asksToRead(frame []byte) bool {
	return len(frame) == readFrame && frame[1] >= 1 && frame[1] <= 4 && checked(frame)
}

// wire is one end of a serial line, or of what stands for one. Read returns 0
// and nil when nothing came for a while.
type wire interface {
	io.ReadWriteCloser
	SetReadTimeout(time.Duration) error
}

// pace is how long characters take on a line. Zero is a line that takes no
// time of itself, because a real one is behind it.
type pace struct{ char, silence time.Duration }

// paceOf is the pace of a line: characters of start, eight data, parity and
// stop bits, and the silence between frames of 3.5 characters, or 1.75 ms above
// 19200 Bd (2.5.1.1).
func paceOf(l lineSettings) pace {
	bits := 9 + l.stop
	if l.parity != "none" {
		bits++
	}
	p := pace{char: time.Duration(float64(bits) / float64(l.baud) * 1e9)}
	p.silence = p.char * 7 / 2
	if l.baud > 19200 {
		p.silence = 1750 * time.Microsecond
	}
	return p
}

// rtuServer shows one or more units on a serial line.
type rtuServer struct {
	name    string
	pace    pace
	unit    func(unit uint8) (m memory, ok bool)
	conduct func(unit uint8) conduct
	log     *slog.Logger

	mu sync.Mutex // the line carries one frame at a time, whoever is connected
}

// hush is the silence after which what has come counts as a frame, or as a
// part of one that won't be completed. The specification's 3.5 characters are
// too short for a machine that hands out bytes in portions: serial adapters
// hold them for up to 16 ms.
const hush = 25 * time.Millisecond

// idleRead is how long a read waits while nothing is on the line.
const idleRead = 200 * time.Millisecond

// serve answers what comes on a wire until ctx ends (with nil) or the wire
// fails.
func (s *rtuServer) serve(ctx context.Context, w wire) error {
	defer context.AfterFunc(ctx, func() { w.Close() })()
	var in [maxRTU]byte
	n := 0
	flooded := false // more came than a frame holds: wait for silence
	for {
		patience := idleRead
		if n > 0 || flooded {
			patience = hush
		}
		if err := w.SetReadTimeout(patience); err != nil {
			return ended(ctx, fmt.Errorf("limiting the time of a read on %s: %w", s.name, err))
		}
		got, err := w.Read(in[n:])
		switch {
		case got > 0:
			n += got
			if !flooded && asksToRead(in[:n]) {
				err = s.answer(ctx, w, in[:n])
				n = 0
			} else if n == len(in) {
				flooded, n = true, 0
			}
		case err == nil && n > 0 && !flooded:
			err = s.answer(ctx, w, in[:n])
			n = 0
		case err == nil:
			flooded, n = false, 0
		}
		if err != nil {
			return ended(ctx, fmt.Errorf("on the line %s: %w", s.name, err))
		}
	}
}

// ended is nothing where the end was asked for.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// answer answers a frame, or keeps silent as the specification wants it: to a
// wrong check, to a broadcast and to units that are others.
func (s *rtuServer) answer(ctx context.Context, w wire, frame []byte) error {
	if !checked(frame) || frame[0] == 0 {
		return nil
	}
	c := s.conduct(frame[0])
	if c.silent {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	// The request came at once and would have taken its time on the line; its
	// end is known by the silence after it.
	if !wait(ctx, s.pace.char*time.Duration(len(frame))+s.pace.silence+c.slow/2) {
		return nil
	}
	m, ok := s.unit(frame[0])
	if !ok {
		return nil
	}
	reply := appendCheck(answer(frame[:1:1], frame[1:len(frame)-checkBytes], m))
	if !wait(ctx, s.pace.char*time.Duration(len(reply))+c.slow-c.slow/2) {
		return nil
	}
	if _, err := w.Write(reply); err != nil {
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return nil // nobody reads the line
		}
		return fmt.Errorf("sending a reply: %w", err)
	}
	return nil
}

package analysis

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"hash/fnv"
	"math"
)

// state writes figures of a state machine into bytes, or puts them back: one
// listing of the fields serves both. The names given and their order are the
// layout, whose signature goes with the bytes, so that those of another layout
// are refused instead of misread.
type state struct {
	mode  stateMode
	bytes []byte
	names uint64 // signature so far
	err   error
}

type stateMode uint8

const (
	signing stateMode = iota // only the layout is looked at
	keeping
	restoring
)

// ErrState is why kept bytes can't be put back: they are damaged, or of another
// version of gapward. What they held is learned anew.
var ErrState = errors.New("the kept state can't be used")

// stateHead is signature and checksum, before the figures.
const stateHead = 12

// appendState appends what list names.
func appendState(dst []byte, list func(*state)) []byte {
	at := len(dst)
	s := state{mode: keeping, bytes: append(dst, make([]byte, stateHead)...), names: fnvBasis}
	list(&s)
	binary.LittleEndian.PutUint64(s.bytes[at:], s.names)
	binary.LittleEndian.PutUint32(s.bytes[at+8:], crc32.ChecksumIEEE(s.bytes[at+stateHead:]))
	return s.bytes
}

// putBack reads what [appendState] wrote into what list names. Where it fails
// some of it may have been written: list must name something that can be thrown
// away.
func putBack(src []byte, list func(*state)) error {
	sign := state{mode: signing, names: fnvBasis}
	list(&sign)
	switch {
	case len(src) < stateHead:
		return fmt.Errorf("%w: it is cut short", ErrState)
	case binary.LittleEndian.Uint64(src) != sign.names:
		return fmt.Errorf("%w: it is of another version of gapward", ErrState)
	case binary.LittleEndian.Uint32(src[8:]) != crc32.ChecksumIEEE(src[stateHead:]):
		return fmt.Errorf("%w: it is damaged", ErrState)
	}
	s := state{mode: restoring, bytes: src[stateHead:], names: fnvBasis}
	list(&s)
	if s.err == nil && len(s.bytes) > 0 {
		s.err = fmt.Errorf("%w: it is too long", ErrState)
	}
	return s.err
}

const (
	fnvBasis = 14695981039346656037
	fnvPrime = 1099511628211
)

func (s *state) name(kind byte, name string) {
	if s.mode == restoring {
		return // the signature has been compared
	}
	s.names = (s.names ^ uint64(kind)) * fnvPrime
	for i := range len(name) {
		s.names = (s.names ^ uint64(name[i])) * fnvPrime
	}
}

// bits is a figure on its way, of so many bytes.
func (s *state) bits(v uint64, size int) uint64 {
	switch s.mode {
	case keeping:
		var b [8]byte
		binary.LittleEndian.PutUint64(b[:], v)
		s.bytes = append(s.bytes, b[:size]...)
	case restoring:
		if len(s.bytes) < size {
			if s.err == nil {
				s.err = fmt.Errorf("%w: it is cut short", ErrState)
			}
			return v
		}
		var b [8]byte
		copy(b[:], s.bytes[:size])
		s.bytes = s.bytes[size:]
		return binary.LittleEndian.Uint64(b[:])
	}
	return v
}

func (s *state) f64(name string, v *float64) {
	s.name('f', name)
	*v = math.Float64frombits(s.bits(math.Float64bits(*v), 8))
}

func (s *state) f64s(name string, list []float64) {
	s.length(name, len(list))
	for i := range list {
		s.f64("", &list[i])
		if s.mode == restoring && math.IsNaN(list[i]) && s.err == nil {
			s.err = fmt.Errorf("%w: there is no number in %s", ErrState, name)
		}
	}
}

func (s *state) f32(name string, v *float32) {
	s.name('s', name)
	*v = math.Float32frombits(uint32(s.bits(uint64(math.Float32bits(*v)), 4)))
}

func (s *state) i64(name string, v *int64) {
	s.name('i', name)
	*v = int64(s.bits(uint64(*v), 8))
}

func (s *state) int(name string, v *int) {
	n := int64(*v)
	s.i64(name, &n)
	*v = int(n)
}

func (s *state) bool(name string, v *bool) {
	s.name('b', name)
	var n uint64
	if *v {
		n = 1
	}
	*v = s.bits(n, 1) != 0
}

// length is the length of an array, which is part of the layout.
func (s *state) length(name string, n int) {
	s.name('n', name)
	s.names = (s.names ^ uint64(n)) * fnvPrime
}

// part is a struct within: its name keeps its fields apart from another's.
func (s *state) part(name string, list func(*state)) {
	s.name('(', name)
	list(s)
	s.name(')', "")
}

// Mark is a short text by which two descriptions, of settings say, can be told
// apart.
func Mark(description string) string {
	h := fnv.New64a()
	_, _ = h.Write([]byte(description)) // it never fails
	return fmt.Sprintf("%016x", h.Sum64())
}

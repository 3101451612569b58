package store

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"gapward/analysis"
)

// maxPoints bounds what is unpacked: an hour at 1 kHz.
const maxPoints = 3_600_000

// packer packs waveforms, one after the other. It keeps the compressor, which is
// most of a megabyte: made anew for every cycle it would be most of what the
// daemon allocates.
type packer struct {
	raw    []byte
	packed bytes.Buffer
	z      *flate.Writer
}

// pack packs the points: their number, the steps of time, then the steps of
// travel, all as varints, deflated. A float's bits, read as an integer, rise
// with its value, so near readings lie near each other and the steps of a
// converter recur. Nothing is rounded. What it returns is good until the next
// call.
func (p *packer) pack(w analysis.Waveform) ([]byte, error) {
	if len(w.TimesNS) != len(w.TravelMM) {
		return nil, fmt.Errorf("the waveform has %d times and %d readings", len(w.TimesNS), len(w.TravelMM))
	}
	p.raw = binary.AppendUvarint(p.raw[:0], uint64(len(w.TimesNS)))
	var before int64
	for _, t := range w.TimesNS {
		p.raw = binary.AppendVarint(p.raw, t-before)
		before = t
	}
	before = 0
	for _, v := range w.TravelMM {
		bits := int64(math.Float32bits(v))
		p.raw = binary.AppendVarint(p.raw, bits-before)
		before = bits
	}
	p.packed.Reset()
	if p.z == nil {
		z, err := flate.NewWriter(&p.packed, flate.DefaultCompression)
		if err != nil {
			return nil, err
		}
		p.z = z
	} else {
		p.z.Reset(&p.packed)
	}
	if _, err := p.z.Write(p.raw); err != nil {
		return nil, err
	}
	if err := p.z.Close(); err != nil {
		return nil, err
	}
	return p.packed.Bytes(), nil
}

// unpackWaveform is the inverse of [packer.pack].
func unpackWaveform(packed []byte) (timesNS []int64, travelMM []float32, err error) {
	// Two varints a point, at most ten bytes each.
	raw, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(packed)), 20*maxPoints))
	if err != nil {
		return nil, nil, fmt.Errorf("unpacking a waveform: %w", err)
	}
	damaged := errors.New("unpacking a waveform: it is cut short")
	n, used := binary.Uvarint(raw)
	if used <= 0 || n > maxPoints || n > uint64(len(raw)) {
		return nil, nil, damaged
	}
	raw = raw[used:]
	steps := make([]int64, 2*n)
	for i := range steps {
		step, used := binary.Varint(raw)
		if used <= 0 {
			return nil, nil, damaged
		}
		raw, steps[i] = raw[used:], step
	}
	timesNS, travelMM = make([]int64, n), make([]float32, n)
	var at, bits int64
	for i := range timesNS {
		at += steps[i]
		bits += steps[int(n)+i]
		timesNS[i], travelMM[i] = at, math.Float32frombits(uint32(bits))
	}
	return timesNS, travelMM, nil
}

package commission

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

const tick = int64(20 * time.Millisecond)

// square is a signal that changes every n readings, beginning off.
func square(readings, n int) (s series) {
	for i := range readings {
		s.add(1e18+int64(i)*tick, float64((i/n)%2))
	}
	return s
}

func TestTimeline(t *testing.T) {
	s := square(100, 10)
	s.v[25] = 1 // a bounce of one reading
	line := timelineOf(s, 0.5, 0.25, time.Second)
	if line.first || len(line.changes) != 9 || line.times() != 5 {
		t.Fatalf("%+v", line)
	}
	for i := range 100 {
		on, since := line.at(s.atNS[i])
		if on != ((i/10)%2 == 1) || since != s.atNS[i/10*10] {
			t.Errorf("reading %d: %v since reading %d", i, on, (since-s.atNS[0])/tick)
		}
	}
	if on := line.spans(true, 40*time.Millisecond); len(on) != 5 || on[0].fromNS != s.atNS[12] || on[0].to != s.atNS[20] {
		t.Errorf("on in %+v", on)
	}
}

// What wasn't read isn't known.
func TestAHoleIsUnknown(t *testing.T) {
	s := square(100, 50)
	s.atNS, s.v = append(s.atNS[:20:20], s.atNS[60:]...), append(s.v[:20:20], s.v[60:]...)
	line := timelineOf(s, 0.5, 0.25, 200*time.Millisecond)
	if len(line.holes) != 1 {
		t.Fatalf("holes: %+v", line.holes)
	}
	inside := s.atNS[19] + 10*tick
	if _, since := line.at(inside); since != inside {
		t.Error("in a hole something is known")
	}
	if on, since := line.at(s.atNS[25]); !on || since != s.atNS[20] {
		t.Errorf("after it: %v since %d", on, since)
	}
}

func TestTogether(t *testing.T) {
	of := func(s series) *timeline { l := timelineOf(s, 0.5, 0.25, time.Second); return &l }
	a := of(square(1000, 50))
	late, inverse := square(1000, 50), square(1000, 50)
	for i := range late.atNS {
		late.atNS[i] += int64(150 * time.Millisecond)
		inverse.v[i] = 1 - inverse.v[i]
	}
	for name, c := range map[string]struct {
		b        *timeline
		low, top float64
	}{
		"late":    {of(late), 0.999, 1.001},
		"inverse": {of(inverse), -1.001, -0.999},
		"another": {of(square(1000, 37)), -0.5, 0.5},
	} {
		if phi, ok := together(a, c.b, 200*time.Millisecond); !ok || phi < c.low || phi > c.top {
			t.Errorf("%s: %g, %v", name, phi, ok)
		}
	}
	if _, ok := together(a, of(series{a0(), []float64{0, 0}}), time.Millisecond); ok {
		t.Error("a signal that never changes agrees with something")
	}
}

func a0() []int64 { return []int64{1e18, 1e18 + 1000*tick} }

func TestTwoLevels(t *testing.T) {
	var noise, brakes []float64
	for i := range 2000 {
		// A sum of twelve, shifted: near enough to normal, and the same each time.
		x := -6.0
		for k := range 12 {
			x += math.Mod(float64(i+1)*math.Sqrt(float64(2+3*k))*7.31, 1)
		}
		noise = append(noise, x)
		brakes = append(brakes, 0.1*x+2*float64(bit(i%20 == 0)))
	}
	if low, high, apart := twoLevels(noise); apart {
		t.Errorf("noise has two levels, %g and %g", low, high)
	}
	if low, high, apart := twoLevels(brakes); !apart || math.Abs(low) > 0.02 || math.Abs(high-2) > 0.1 {
		t.Errorf("levels %g and %g, apart %v", low, high, apart)
	}
	if _, _, apart := twoLevels([]float64{3, 3, 3}); apart {
		t.Error("a constant has two levels")
	}
}

func TestScatter(t *testing.T) {
	if s := scatter([]float64{1, 2, 3, 4, 100}); math.Abs(s-1.4826) > 1e-9 { // median distance 1
		t.Errorf("got %g", s)
	}
	if s := scatter([]float64{1, 1, 1, 1, 2, 1, 1, 1}); s <= 0 {
		t.Errorf("of a signal on one step with a reading beside it: %g", s)
	}
}

// Registers are got back from a value as it was read, for every type and order.
func TestOnWireIsTheInverseOfReading(t *testing.T) {
	wire := binary.BigEndian.AppendUint32(nil, 0x405CCCCD) // 3.45 as a float
	for _, typ := range []sensors.DataType{"", sensors.U16, sensors.S16, sensors.U32, sensors.S32, sensors.F32} {
		for _, order := range []sensors.WordOrder{"", sensors.ABCD, sensors.CDAB, sensors.BADC, sensors.DCBA} {
			for _, sign := range []byte{0x40, 0xC0} {
				wire[0] = sign
				v, err := modbus.DecodeRegisters(wire, typ, order)
				if err != nil {
					t.Fatal(err)
				}
				got := onWire(v, typ, order)
				if string(got) != string(wire[:len(got)]) {
					t.Errorf("%s %s: % x, was % x", typ, order, got, wire)
				}
			}
		}
	}
}

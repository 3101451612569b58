package simulator

import (
	"math"
	"slices"
	"testing"
	"time"

	"gapward/sensors"
)

// timed is a brake whose device stamps the changes of its contacts in steps, and
// measures its times.
func timed(step time.Duration) BrakeSpec {
	b := wiredBrake(0, "quay-2/main")
	address := func(a uint16) *uint16 { return &a }
	stamp := func(a uint16) *sensors.Stamp {
		return &sensors.Stamp{Input: address(a), Clock: address(42), Step: step}
	}
	b.Drive.Stamp, b.Released.Stamp = stamp(40), stamp(41)
	b.Wire(sensors.ReleaseTime, sensors.Wiring{Device: "quay-io", Input: address(50), Counter: address(51), Step: time.Millisecond})
	b.Wire(sensors.SetTime, sensors.Wiring{Device: "quay-io", Input: address(52), Counter: address(53), Step: time.Millisecond})
	return b
}

// A generated history has the times that a device makes: each change at its own
// time to within the device's count, and each time that it measured once, soon
// after it was over; as the brake truly was.
func TestAHistoryHasTheTimesThatDevicesMake(t *testing.T) {
	const step = 5 * time.Millisecond
	b := timed(step)
	s, err := NewStream([]BrakeSpec{b}, monday(), monday().Add(9*time.Hour), 11)
	if err != nil {
		t.Fatal(err)
	}
	var truths []Truth
	s.OnCycle(func(tr Truth) { truths = append(truths, tr) })
	var all []sensors.Sample
	buf := make([]sensors.Sample, 100)
	for n := s.Next(buf); n > 0; n = s.Next(buf) {
		all = append(all, buf[:n]...)
	}
	changes := make(map[sensors.Signal][]int64)
	was := make(map[sensors.Signal]float64)
	told := make(map[sensors.Signal][]float64)
	for i, x := range all {
		if i > 0 && x.AtNS < all[i-1].AtNS {
			t.Fatalf("sample %d is %d ns before the one ahead of it", i, all[i-1].AtNS-x.AtNS)
		}
		switch {
		case x.Signal.Binary():
			if x.Value != was[x.Signal] {
				changes[x.Signal] = append(changes[x.Signal], x.AtNS)
			}
			was[x.Signal] = x.Value
		case x.Signal.Measured():
			told[x.Signal] = append(told[x.Signal], x.Value)
		}
	}
	drive := changes[sensors.Drive]
	if len(truths) < 50 || len(drive) < 2*len(truths) || len(changes[sensors.Released]) < 2*len(truths)-10 {
		t.Fatalf("%d cycles with %d and %d changes", len(truths), len(drive), len(changes[sensors.Released]))
	}
	for i, tr := range truths {
		for k, want := range []int64{tr.OnNS, tr.OffNS} {
			if got := drive[2*i+k]; got-want > int64(step/2) || want-got > int64(step/2) {
				t.Fatalf("cycle %d: the drive changes at %d, the truth is %+d ns off", i, got, want-got)
			}
		}
	}
	for signal, of := range map[sensors.Signal]func(Truth) float64{
		sensors.ReleaseTime: func(tr Truth) float64 { return tr.ReleaseS }, sensors.SetTime: func(tr Truth) float64 { return tr.SetS }} {
		var want []float64
		for _, tr := range truths {
			if v := of(tr); v > 0 {
				want = append(want, math.Round(v*1e3))
			}
		}
		got := told[signal]
		if len(got) < len(want) || !slices.Equal(got[:len(want)], want) {
			t.Errorf("%v: told of %d times that begin %v, want %d that begin %v", signal, len(got), got[:min(5, len(got))], len(want), want[:5])
		}
	}
}

// A device that is silent stamps nothing and tells no time; what it measured
// meanwhile isn't told later.
func TestASilentDeviceMakesNoTimes(t *testing.T) {
	from, to := monday().Add(7*time.Hour), monday().Add(8*time.Hour)
	all := history(t, []BrakeSpec{timed(time.Millisecond)}, 9*time.Hour, 512, Event{At: from, Brake: "quay-2/main", Fault: DeviceSilent, Lasts: to.Sub(from)})
	n, on, onNS := 0, 0.0, int64(0)
	for _, x := range all {
		if x.Signal == sensors.Drive && x.Quality == sensors.Good {
			if x.Value > on {
				onNS = x.AtNS
			}
			on = x.Value
		}
		if late := x.AtNS - onNS - int64(x.Value*1e6); x.Signal == sensors.ReleaseTime && x.Quality == sensors.Good && late > 30e6 {
			t.Errorf("at %v a release time is told %d ms after it was over", time.Unix(0, x.AtNS).UTC(), late/1e6)
		}
		if inside := x.AtNS >= from.UnixNano() && x.AtNS < to.UnixNano(); inside && x.Signal != sensors.Tick {
			if n++; x.Quality != sensors.NoAnswer {
				t.Fatalf("from a silent device comes %+v", x)
			}
		}
	}
	if n < 1000 {
		t.Errorf("only %d polls while it is silent", n)
	}
}

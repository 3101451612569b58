package mqtt

import (
	"slices"
	"testing"
	"time"

	"gapward/sensors"

	"pgregory.net/rapid"
)

func msSample(atMS int64, brake int32) sensors.Sample {
	return sensors.Sample{AtNS: atMS * 1e6, Brake: brake, Signal: sensors.Travel}
}

func brakesOf(batch []sensors.Sample) []int32 {
	var brakes []int32
	for _, s := range batch {
		brakes = append(brakes, s.Brake)
	}
	return brakes
}

func TestHoldBackSorts(t *testing.T) {
	h := holdBack{wait: 100 * time.Millisecond}
	h.add(msSample(1000, 1), 1000e6)
	h.add(msSample(1010, 2), 1012e6)
	h.add(msSample(990, 3), 1020e6) // came later, is earlier
	h.add(msSample(1010, 4), 1021e6)
	if got := h.take(1099e6); got != nil {
		t.Errorf("after 99 ms it gives %v", got)
	}
	if due, ok := h.nextNS(); !ok || due != 1100e6 {
		t.Errorf("next is due at %d, %v; want 1.1 s", due, ok)
	}
	if got := brakesOf(h.take(1100e6)); !slices.Equal(got, []int32{3, 1}) {
		t.Errorf("it gives %v; want the earlier one, though it hasn't waited for long, before the one that has", got)
	}
	if !h.late(999e6) || h.late(1000e6) {
		t.Error("late is before the latest time that has gone out, and only that")
	}
	if got := brakesOf(h.take(1112e6)); !slices.Equal(got, []int32{2, 4}) {
		t.Errorf("it gives %v; samples of one time must stay in the order of arrival", got)
	}
	if _, ok := h.nextNS(); ok {
		t.Error("something is due though nothing is held")
	}
}

func TestHoldBackWaitsForAClockThatIsAhead(t *testing.T) {
	h := holdBack{wait: 100 * time.Millisecond}
	h.add(msSample(2500, 1), 1000e6)
	h.add(msSample(1500, 2), 1500e6)
	if got := brakesOf(h.take(1600e6)); !slices.Equal(got, []int32{2}) {
		t.Errorf("it gives %v, want only the sample whose time has come: the other would make all that follows late", got)
	}
	if got := brakesOf(h.take(2600e6)); !slices.Equal(got, []int32{1}) {
		t.Errorf("it gives %v, want the sample of 2.5 s", got)
	}
}

// A device whose clock is far behind is in order too, as long as all topics
// are: waiting counts from arrival.
func TestHoldBackSortsAClockThatIsBehind(t *testing.T) {
	h := holdBack{wait: 100 * time.Millisecond}
	h.add(msSample(1010, 1), 5000e6)
	if got := h.take(5050e6); got != nil {
		t.Errorf("after 50 ms it gives %v", got)
	}
	h.add(msSample(1000, 2), 5060e6)
	if got := brakesOf(h.take(5100e6)); !slices.Equal(got, []int32{2, 1}) {
		t.Errorf("it gives %v, want them in order", got)
	}
}

func TestHoldBackKeepsOrderAndLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := holdBack{wait: 100 * time.Millisecond}
		now, added, lastOut, out := int64(10e9), 0, int64(0), 0
		take := func(batch []sensors.Sample) {
			for _, s := range batch {
				if s.AtNS < lastOut {
					t.Fatalf("%d goes out after %d", s.AtNS, lastOut)
				}
				lastOut = s.AtNS
			}
			out += len(batch)
		}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			now += rapid.Int64Range(0, 150e6).Draw(t, "pause")
			at := now + rapid.Int64Range(-400e6, 2e9).Draw(t, "skew")
			if !h.late(at) {
				h.add(sensors.Sample{AtNS: at}, now)
				added++
			}
			take(h.take(now))
		}
		take(h.take(now + 3e9))
		if out != added {
			t.Fatalf("%d samples were added and %d came out", added, out)
		}
	})
}

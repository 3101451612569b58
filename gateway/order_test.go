package gateway

import (
	"testing"

	"gapward/sensors"
)

func TestSourcesAreMergedInTheOrderOfTime(t *testing.T) {
	o := order{holdNS: 100, latest: make([]int64, 2)}
	at := func(ns int64, brake int32) sensors.Sample {
		return sensors.Sample{AtNS: ns, Brake: brake, Signal: sensors.Travel}
	}
	o.add(arrival{0, []sensors.Sample{at(10, 0), at(30, 0), at(250, 0)}})
	o.add(arrival{1, []sensors.Sample{at(20, 1), at(30, 1)}})
	got := o.ready(100, nil) // by now both sources have come as far as 30
	want := []sensors.Sample{at(10, 0), at(20, 1), at(30, 0), at(30, 1)}
	if len(got) != len(want) {
		t.Fatalf("got %v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("sample %d is %+v, want %+v", i, got[i], want[i])
		}
	}
	o.add(arrival{1, []sensors.Sample{at(29, 1)}})
	if o.late != 1 {
		t.Fatalf("a sample older than what went through: late = %d, want 1", o.late)
	}
	if rest := o.ready(349, nil); len(rest) != 0 {
		t.Fatalf("the second source was not waited for: %v", rest)
	}
	if rest := o.ready(350, nil); len(rest) != 1 || rest[0].AtNS != 250 {
		t.Fatalf("what was held back: %v", rest)
	}
}

func TestSilenceBecomesATick(t *testing.T) {
	o := order{holdNS: 100, doneNS: 1000, latest: make([]int64, 1)}
	if got := o.tick(1000+100+int64(tickEvery)-1, nil); len(got) != 0 {
		t.Fatalf("a tick too early: %v", got)
	}
	got := o.tick(1000+100+int64(tickEvery), nil)
	if len(got) != 1 || got[0].Signal != sensors.Tick || got[0].AtNS != 1000+int64(tickEvery) {
		t.Fatalf("after silence: %v", got)
	}
	o.add(arrival{0, []sensors.Sample{{AtNS: 1000, Signal: sensors.Travel}}})
	if o.late != 1 {
		t.Fatal("a sample from before the tick was let through")
	}
}

package gateway

import (
	"slices"
	"testing"
	"time"

	"gapward/sensors"
)

func sampleAt(ns int64, brake int32) sensors.Sample {
	return sensors.Sample{AtNS: ns, Brake: brake, Signal: sensors.Travel}
}

func times(samples []sensors.Sample) (ns []int64) {
	for _, s := range samples {
		ns = append(ns, s.AtNS)
	}
	return ns
}

func TestSourcesAreMergedInTheOrderOfTime(t *testing.T) {
	o := newOrder(100, 2)
	at := sampleAt
	o.add(arrival{0, []sensors.Sample{at(10, 0), at(30, 0), at(250, 0)}}, 250)
	o.add(arrival{1, []sensors.Sample{at(20, 1), at(30, 1)}}, 30)
	got := o.ready(100, 100, nil) // by now both sources have come as far as 30
	want := []sensors.Sample{at(10, 0), at(20, 1), at(30, 0), at(30, 1)}
	if !slices.Equal(got, want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	o.add(arrival{1, []sensors.Sample{at(29, 1)}}, 100)
	if o.late != 1 {
		t.Fatalf("a sample older than what went through: late = %d, want 1", o.late)
	}
	if rest := o.ready(349, 349, nil); len(rest) != 0 {
		t.Fatalf("the second source was not waited for: %v", rest)
	}
	if rest := o.ready(350, 350, nil); !slices.Equal(times(rest), []int64{250}) {
		t.Fatalf("what was held back: %v", rest)
	}
}

func TestSilenceBecomesATick(t *testing.T) {
	o := newOrder(100, 1)
	o.doneNS = 1000
	now := 1000 + 100 + int64(tickEvery)
	if got := o.tick(now-1, time.Duration(now-1), nil); len(got) != 0 {
		t.Fatalf("a tick too early: %v", got)
	}
	got := o.tick(now, time.Duration(now), nil)
	if len(got) != 1 || got[0].Signal != sensors.Tick || got[0].AtNS != 1000+int64(tickEvery) {
		t.Fatalf("after silence: %v", got)
	}
	o.add(arrival{0, []sensors.Sample{{AtNS: 1000, Signal: sensors.Travel}}}, time.Duration(now))
	if o.late != 1 {
		t.Fatal("a sample from before the tick was let through")
	}
}

// Sources notice a step of the machine's clock one after the other, up to a
// second apart. Nothing may be lost by it, whoever notices first.
func TestNothingIsLateWhenTheClockIsSetForward(t *testing.T) {
	const hour, start = int64(time.Hour), int64(1e15)
	for name, notice := range map[string][3]time.Duration{ // source 0, source 1, owner
		"the owner last":                  {5 * time.Second, 5500 * time.Millisecond, 5900 * time.Millisecond},
		"one after the owner has seen it": {5900 * time.Millisecond, 5300 * time.Millisecond, 5*time.Second + followAfter},
	} {
		t.Run(name, func(t *testing.T) {
			o := newOrder(100*time.Millisecond, 2)
			ahead := func(i int, passed time.Duration) int64 {
				if passed >= notice[i] {
					return hour
				}
				return 0
			}
			var done []int64
			for passed := time.Duration(0); passed < 12*time.Second; passed += 10 * time.Millisecond {
				for i := range 2 {
					o.add(arrival{i, []sensors.Sample{sampleAt(start+int64(passed)-5e6+ahead(i, passed), int32(i))}}, passed)
				}
				now := start + int64(passed) + ahead(2, passed)
				got := o.ready(now, passed, nil)
				got = o.tick(now, passed, got)
				done = append(done, times(got)...)
			}
			if o.late != 0 {
				t.Errorf("%d samples were late", o.late)
			}
			if !slices.IsSorted(done) {
				t.Error("the samples are out of order")
			}
			if last := done[len(done)-1]; last < start+int64(11800*time.Millisecond)+hour {
				t.Errorf("at the end time has come to %v only", time.Duration(last-start))
			}
		})
	}
}

func TestASilentSourceOrOneWithAWrongClockIsNotWaitedFor(t *testing.T) {
	o := newOrder(100*time.Millisecond, 3)
	done := int64(0)
	for passed := time.Duration(0); passed < 30*time.Second; passed += 20 * time.Millisecond {
		o.add(arrival{0, []sensors.Sample{sampleAt(int64(passed)+1e12, 0)}}, passed)
		o.add(arrival{1, []sensors.Sample{sampleAt(int64(passed)+1, 1)}}, passed) // its clock is 1000 s behind
		for _, s := range o.ready(int64(passed)+1e12, passed, nil) {
			done = s.AtNS
		}
	}
	if behind := 1e12 + 30e9 - done; behind > int64(clocksWithin)+2e8 {
		t.Errorf("the good source's samples are held back for %v", time.Duration(behind))
	}
}

func TestClockFollowsForwardAndRunsSlowAfterAStepBack(t *testing.T) {
	const start = int64(1_790_000_000e9)
	var c clock
	var last int64
	var steps []time.Duration
	read := func(passed time.Duration, wallNS int64) int64 {
		now, step := c.read(moment{wallNS, passed})
		if now < last {
			t.Fatalf("time fell by %v", time.Duration(last-now))
		}
		if step != 0 {
			steps = append(steps, step)
		}
		last = now
		return now
	}
	wall := start
	passed := time.Duration(0)
	run := func(d time.Duration) {
		for end := passed + d; passed < end; {
			passed += 25 * time.Millisecond
			wall += 25e6
			read(passed, wall)
		}
	}
	run(time.Minute)
	if last != wall {
		t.Errorf("without a step it is %v off", time.Duration(last-wall))
	}
	wall += int64(2 * time.Hour)
	run(time.Minute)
	if last != wall {
		t.Errorf("after a step forward it is %v off", time.Duration(last-wall))
	}
	wall -= int64(10 * time.Second)
	before := last
	run(1000 * time.Second)
	// A thousandth slow: a second less, and nine are left.
	if took := last - before; took < int64(998*time.Second) || took > int64(1000*time.Second) {
		t.Errorf("in 1000 s after a step back %v passed", time.Duration(took))
	}
	run(9000 * time.Second)
	if off := time.Duration(last - wall); off > time.Second+10*time.Millisecond || off < 0 {
		t.Errorf("much later it is still %v off", off)
	}
	for i := range 400 { // drift of 5 ms a second is no step
		wall += 5e6
		run(time.Second)
		_ = i
	}
	want := []time.Duration{2 * time.Hour, -10 * time.Second}
	if len(steps) != 2 || (steps[0]-want[0]).Abs() > 50*time.Millisecond || (steps[1]-want[1]).Abs() > 50*time.Millisecond {
		t.Errorf("told of steps %v, want %v", steps, want)
	}
}

// A source that comes with what was kept for it is heard before time goes on,
// so that its readings of the past have their place.
func TestThePastComesFirst(t *testing.T) {
	const now = int64(1e18)
	o := newOrder(time.Second, 2)
	o.from[1].keeps = true
	o.add(arrival{0, []sensors.Sample{{AtNS: now}}}, 0)
	if got := o.tick(now+5e9, 5*time.Second, o.ready(now+5e9, 5*time.Second, nil)); len(got) != 0 {
		t.Fatalf("before it was heard %+v goes on", got)
	}
	o.add(arrival{1, []sensors.Sample{{AtNS: now - 600e9}, {AtNS: now - 500e9}, {AtNS: now + 5e9}}}, 5*time.Second)
	got := o.ready(now+7e9, 7*time.Second, nil)
	if len(got) != 4 || got[0].AtNS != now-600e9 || got[2].AtNS != now || o.late != 0 {
		t.Errorf("once it was heard %+v goes on, %d late", got, o.late)
	}
	o = newOrder(time.Second, 1)
	o.from[0].keeps = true
	if got := o.tick(now, sensors.KeeperFirst, nil); len(got) != 1 {
		t.Error("it is waited for without end")
	}
}

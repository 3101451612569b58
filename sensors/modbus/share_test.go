package modbus

import (
	"testing"
	"testing/synctest"
	"time"

	"gapward/sensors"
)

// A silent device is left alone for 1, 2, 4, … polls and 2 s at most, and
// gives sign of its silence all the while.
func TestSilentDeviceIsLeftAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{fail: func(uint8, uint8, uint16, uint16) error { return errSilent }}
		samples := play(t, l, 20*time.Second, []sensors.Channel{input(0, 0, 20*time.Millisecond), discrete(0, 0, 20*time.Millisecond)}, nil)
		at := l.since()
		for i := 1; i < len(at); i++ {
			if pause := at[i] - at[i-1]; pause > maxPause+100*time.Millisecond+20*time.Millisecond {
				t.Errorf("read %d came %v after the one before it", i, pause)
			}
		}
		if n := len(at); n < 12 || n > 20 {
			t.Errorf("%d reads of a silent device in 20 s", n)
		}
		last := map[sensors.Signal]int64{}
		for _, s := range samples {
			if s.Quality != sensors.NoAnswer {
				t.Fatalf("a sample is %v", s.Quality)
			}
			if gap := time.Duration(s.AtNS - last[s.Signal]); last[s.Signal] != 0 && gap > 400*time.Millisecond {
				t.Errorf("no sign of %v for %v", s.Signal, gap)
			}
			last[s.Signal] = s.AtNS
		}
		if n := len(samples); n > 2*20*5 {
			t.Errorf("%d samples of a silent device in 20 s", n)
		}
	})
}

// A request that alone is never answered doesn't keep the others of its device
// from being read, whichever comes first in the plan.
func TestOneDeadRequestDoesNotHideTheOthers(t *testing.T) {
	for _, dead := range []uint16{0, 100} {
		synctest.Test(t, func(t *testing.T) {
			l := &fakeLink{took: time.Millisecond, fail: func(_, _ uint8, address, _ uint16) error {
				if address == dead {
					return errSilent
				}
				return nil
			}}
			good := 0
			for _, s := range play(t, l, 20*time.Second, []sensors.Channel{input(0, 0, 20*time.Millisecond), input(1, 100, 20*time.Millisecond)}, nil) {
				if s.Quality == sensors.Good {
					good++
				}
			}
			if good < 800 {
				t.Errorf("with address %d dead, the other was read %d times in 20 s, of 1000", dead, good)
			}
		})
	}
}

// Whether it comes first in the plan or last, a dead device takes little of
// the others' time, and what has been read doesn't wait for it.
func TestDeadDeviceDoesNotStarveTheOthers(t *testing.T) {
	for _, dead := range []uint8{1, 2} {
		synctest.Test(t, func(t *testing.T) {
			l := &fakeLink{took: time.Millisecond, fail: func(unit, _ uint8, _, _ uint16) error {
				if unit == dead {
					return errSilent
				}
				return nil
			}}
			other := input(1, 5, 20*time.Millisecond)
			other.Wiring.Device = "yard-io"
			samples := play(t, l, 20*time.Second, []sensors.Channel{input(0, 0, 20*time.Millisecond), other}, nil)
			good := map[int32]int{}
			for _, s := range samples {
				if s.Quality == sensors.Good {
					good[s.Brake]++
				}
			}
			if n := good[int32(dead-1)]; n != 0 {
				t.Errorf("dead unit %d was read %d times", dead, n)
			}
			if n := good[int32(2-dead)]; n < 850 {
				t.Errorf("beside dead unit %d the other was read %d times, of 1000", dead, n)
			}
			waited := 0
			for _, d := range l.late {
				if d > 50*time.Millisecond {
					waited++
				}
			}
			if waited > 1 {
				t.Errorf("beside dead unit %d, %d readings were sent late", dead, waited)
			}
		})
	}
}

// One dead unit among three on a shared bus costs the others no more than one
// timeout in twenty of their time, once it's known to be dead.
func TestDeadUnitAmongThree(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: time.Millisecond, fail: func(unit, _ uint8, _, _ uint16) error {
			if unit == 1 {
				return errSilent
			}
			return nil
		}}
		var channels []sensors.Channel
		for i, name := range []string{"a", "b", "c"} {
			c := input(int32(i), 5, 20*time.Millisecond)
			c.Wiring.Device = name
			channels = append(channels, c)
		}
		good := map[int32]int{}
		for _, s := range play(t, l, time.Minute-time.Microsecond, channels, nil) {
			if s.Quality == sensors.Good {
				good[s.Brake]++
			}
		}
		for b := int32(1); b <= 2; b++ {
			if lost := 3000 - good[b]; lost > 3000*6/100 {
				t.Errorf("beside a dead unit, brake %d lost %d of 3000 polls in a minute", b, lost)
			}
		}
	})
}

// A unit that answers, but takes 80 ms, gets no more than its third of the time
// of a bus whose other two are read every 20 ms: they keep two thirds of their
// polls, where in turn with it they would keep one in five.
func TestSlowUnitGetsItsShare(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: time.Millisecond, slow: func(unit uint8) time.Duration {
			if unit == 1 {
				return 80 * time.Millisecond
			}
			return 0
		}}
		var channels []sensors.Channel
		for i, name := range []string{"a", "b", "c"} {
			c := input(int32(i), 5, 20*time.Millisecond)
			c.Wiring.Device = name
			channels = append(channels, c)
		}
		good := map[int32]int{}
		for _, s := range play(t, l, time.Minute-time.Microsecond, channels, nil) {
			if s.Quality != sensors.Good {
				t.Fatalf("a unit that answers is called %v", s.Quality)
			}
			good[s.Brake]++
		}
		for b := int32(1); b <= 2; b++ {
			if good[b] < 3000*60/100 {
				t.Errorf("beside a slow unit, brake %d was read %d times in a minute, of 3000", b, good[b])
			}
		}
		if good[0] < 200 {
			t.Errorf("the slow unit was read %d times in a minute", good[0])
		}
	})
}

// … and each of its requests does.
func TestEachRequestOfASlowUnitHasItsTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: time.Millisecond, slow: func(unit uint8) time.Duration {
			if unit == 1 {
				return 80 * time.Millisecond
			}
			return 0
		}}
		var channels []sensors.Channel
		for i, name := range []string{"a", "b", "c"} {
			c := input(int32(i), 5, 20*time.Millisecond)
			d := discrete(int32(i), 5, 20*time.Millisecond)
			c.Wiring.Device, d.Wiring.Device = name, name
			channels = append(channels, c, d)
		}
		read := map[sensors.Signal]int{}
		for _, s := range play(t, l, time.Minute-time.Microsecond, channels, nil) {
			if s.Brake == 0 {
				read[s.Signal]++
			}
		}
		if a, b := read[sensors.Travel], read[sensors.Drive]; a < 100 || b < 100 || a-b > 1 || b-a > 1 {
			t.Errorf("of a slow unit the travel was read %d times in a minute, and the drive %d times", a, b)
		}
	})
}

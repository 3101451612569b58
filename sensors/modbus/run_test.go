package modbus

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gapward/sensors"
)

// fakeLink answers in virtual time.
type fakeLink struct {
	took   time.Duration                                              // of a good exchange
	slow   func(unit uint8) time.Duration                             // of a unit's, if longer
	fail   func(unit, function uint8, address, quantity uint16) error // nil: answer
	asked  []string                                                   // unit:address+quantity of every read
	when   []time.Time
	closed int
	late   []time.Duration // how long each good sample took to be received
}

func (l *fakeLink) read(ctx context.Context, a ask) (reply, error) {
	l.asked = append(l.asked, fmt.Sprintf("%d:%d+%d", a.unit, a.address, a.quantity))
	l.when = append(l.when, time.Now())
	r := reply{sent: time.Now(), data: make([]byte, replyBytes(a.table, a.quantity))}
	var err error
	if l.fail != nil {
		err = l.fail(a.unit, a.table.Function(), a.address, a.quantity)
	}
	d := l.took
	if l.slow != nil {
		d = max(d, l.slow(a.unit))
	}
	if errors.Is(err, errSilent) {
		d = a.timeout
	}
	select {
	case <-time.After(d):
	case <-ctx.Done():
		return r, ctx.Err()
	}
	r.got = time.Now()
	return r, err
}

func (l *fakeLink) close() { l.closed++ }

// play runs a plan of the channels against l for some virtual time and returns
// the samples.
func play(t *testing.T, l *fakeLink, d time.Duration, channels []sensors.Channel, lg *slog.Logger) []sensors.Sample {
	t.Helper()
	devices := map[string]sensors.Device{}
	for _, c := range channels {
		if devices[c.Wiring.Device].Modbus == "" {
			devices[c.Wiring.Device] = sensors.Device{Modbus: "tcp://hall", Unit: uint8(1 + len(devices)), Timeout: 100 * time.Millisecond}
		}
	}
	plan, err := PlanBus(devices, channels)
	if err != nil {
		t.Fatal(err)
	}
	s := newSource("hall", plan, &inTurn{reader: l}, nil, lg)
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	out := make(chan []sensors.Sample)
	done := make(chan error)
	go func() { done <- s.Run(ctx, out) }()
	var samples []sensors.Sample
	given := make(map[*sensors.Sample]bool)
	for {
		select {
		case b := <-out:
			samples = append(samples, b...)
			for i, whole := 0, b[:cap(b)]; i < len(whole); i++ {
				if given[&whole[i]] {
					t.Fatal("a batch lies in the memory of one that was given away before")
				}
				given[&whole[i]] = true
			}
			for _, s := range b {
				if s.Quality == sensors.Good {
					l.late = append(l.late, time.Duration(time.Now().UnixNano()-s.AtNS))
				}
			}
		case err := <-done:
			if err != nil {
				t.Errorf("Run returned %v", err)
			}
			if l.closed != 1 {
				t.Errorf("the link was closed %d times", l.closed)
			}
			return samples
		}
	}
}

// since lists the moments of the reads from the first on.
func (l *fakeLink) since() []time.Duration {
	out := make([]time.Duration, len(l.when))
	for i, w := range l.when {
		out[i] = w.Sub(l.when[0])
	}
	return out
}

func TestPollsKeepTheirSlots(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: 3 * time.Millisecond}
		start := time.Now()
		samples := play(t, l, time.Second-time.Millisecond, []sensors.Channel{input(0, 0, 20*time.Millisecond)}, nil)
		if len(samples) != 50 {
			t.Errorf("%d samples in a second at 20 ms", len(samples))
		}
		for i, s := range samples {
			want := start.Add(time.Duration(i)*20*time.Millisecond + 1500*time.Microsecond)
			if got := time.Unix(0, s.AtNS); !got.Equal(want) {
				t.Errorf("sample %d is stamped %v after the start, want %v", i, got.Sub(start), want.Sub(start))
			}
		}
	})
}

// An exchange of 45 ms at a poll of 20 ms leaves every third slot: none in
// between, and no burst afterwards.
func TestMissedSlotsStayMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: 45 * time.Millisecond}
		play(t, l, 230*time.Millisecond, []sensors.Channel{input(0, 0, 20*time.Millisecond)}, nil)
		want := []time.Duration{0, 60 * time.Millisecond, 120 * time.Millisecond, 180 * time.Millisecond}
		if got := l.since(); !slices.Equal(got, want) {
			t.Errorf("reads at %v, want %v", got, want)
		}
	})
}

func TestRequestsOfOneBrakeAreBackToBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: time.Millisecond}
		const fast, slow = 20 * time.Millisecond, 40 * time.Millisecond
		play(t, l, 30*time.Millisecond, []sensors.Channel{
			input(0, 0, fast), input(1, 100, fast), discrete(0, 0, fast), discrete(1, 1000, fast), input(0, 50, slow)}, nil)
		want := []string{"1:0+1", "1:0+1", "1:1000+1", "1:100+1", "1:50+1", "1:0+1", "1:0+1", "1:1000+1", "1:100+1"}
		if !slices.Equal(l.asked, want) {
			t.Errorf("asked %v, want %v", l.asked, want)
		}
		wantAt := []time.Duration{0, 1, 2, 3, 4, 20, 21, 22, 23}
		for i, at := range l.since() {
			if at != wantAt[i]*time.Millisecond {
				t.Errorf("read %d at %v, want %v ms", i, at, int(wantAt[i]))
			}
		}
	})
}

func TestRecoveryIsSeenAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		back := start.Add(10 * time.Second)
		l := &fakeLink{took: time.Millisecond, fail: func(uint8, uint8, uint16, uint16) error {
			if time.Now().Before(back) {
				return errSilent
			}
			return nil
		}}
		var logged strings.Builder
		lg := slog.New(slog.NewTextHandler(&logged, nil))
		var first time.Time
		n := 0
		for _, s := range play(t, l, 14*time.Second, []sensors.Channel{input(0, 0, 20*time.Millisecond)}, lg) {
			if s.Quality == sensors.Good {
				n++
				if first.IsZero() {
					first = time.Unix(0, s.AtNS)
				}
			}
		}
		if d := first.Sub(back); d < 0 || d > maxPause+150*time.Millisecond {
			t.Errorf("the first reading came %v after the device was back", d)
		}
		if want := int(start.Add(14*time.Second).Sub(first) / (20 * time.Millisecond)); n < want {
			t.Errorf("%d readings after recovery, want %d", n, want)
		}
		if n := strings.Count(logged.String(), "\n"); n != 2 || !strings.Contains(logged.String(), "input register 0 of quay-io") {
			t.Errorf("an outage and its end are logged in %d lines:\n%s", n, logged.String())
		}
	})
}

// An exception is an answer: bad, not silent, neither held back nor logged
// again and again.
func TestExceptionIsBad(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &fakeLink{took: time.Millisecond, fail: func(_, f uint8, _, _ uint16) error { return &Exception{f, 4} }}
		var logged strings.Builder
		samples := play(t, l, time.Minute-time.Millisecond, []sensors.Channel{input(0, 0, 20*time.Millisecond)}, slog.New(slog.NewTextHandler(&logged, nil)))
		if len(samples) != 3000 {
			t.Errorf("%d samples in a minute at 20 ms", len(samples))
		}
		for _, s := range samples {
			if s.Quality != sensors.Bad {
				t.Fatalf("a sample is %v", s.Quality)
			}
		}
		if n := strings.Count(logged.String(), "\n"); n != 1 {
			t.Errorf("one lasting exception is logged in %d lines:\n%s", n, logged.String())
		}
	})
}

// A gateway that reports the silence of a unit behind it has answered, and the
// unit has not.
func TestGatewayReportsSilence(t *testing.T) {
	for _, code := range []uint8{0x0A, 0x0B} {
		synctest.Test(t, func(t *testing.T) {
			l := &fakeLink{took: time.Millisecond, fail: func(_, f uint8, _, _ uint16) error { return &Exception{f, code} }}
			for _, s := range play(t, l, time.Second, []sensors.Channel{input(0, 0, 20*time.Millisecond)}, nil) {
				if s.Quality != sensors.NoAnswer {
					t.Fatalf("after exception %02X a sample is %v", code, s.Quality)
				}
			}
			if len(l.asked) > 10 {
				t.Errorf("it was asked %d times in a second", len(l.asked))
			}
		})
	}
}

// A device without some of the addresses of a block is read around them, from
// the first round on, and never across them again.
func TestRefusedBlockIsSplit(t *testing.T) {
	for name, c := range map[string]struct {
		missing uint16
		after   []string
		bad     int32 // brake without a value, -1: none
	}{
		"an address in a gap":       {6, []string{"1:0+2", "1:9+3"}, -1},
		"an address that is wanted": {1, []string{"1:0+1", "1:1+1", "1:9+3"}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := &fakeLink{took: time.Millisecond, fail: func(_, f uint8, address, quantity uint16) error {
					if address <= c.missing && c.missing < address+quantity {
						return &Exception{f, 2}
					}
					return nil
				}}
				channels := []sensors.Channel{input(0, 0, 20*time.Millisecond), input(1, 1, 20*time.Millisecond), input(2, 9, 20*time.Millisecond), input(3, 11, 20*time.Millisecond)}
				samples := play(t, l, 100*time.Millisecond-time.Microsecond, channels, nil)
				if l.asked[0] != "1:0+12" || slices.Contains(l.asked[1:], "1:0+12") {
					t.Errorf("asked %v", l.asked)
				}
				if got := l.asked[len(l.asked)-len(c.after):]; !slices.Equal(got, c.after) {
					t.Errorf("in the end asked %v, want %v", got, c.after)
				}
				count := map[int32]int{}
				for _, s := range samples {
					count[s.Brake]++
					if (s.Quality == sensors.Bad) != (s.Brake == c.bad) || s.Quality == sensors.NoAnswer {
						t.Errorf("brake %d is %v", s.Brake, s.Quality)
					}
				}
				for b := range int32(4) {
					if count[b] != 5 {
						t.Errorf("brake %d has %d samples of five polls", b, count[b])
					}
				}
			})
		})
	}
}

// A device that refuses everything while it starts isn't read address by
// address for ever after.
func TestRefusingDeviceIsNotSplitForGood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ready := time.Now().Add(3 * time.Second)
		l := &fakeLink{took: time.Millisecond, fail: func(_, f uint8, _, _ uint16) error {
			if time.Now().Before(ready) {
				return &Exception{f, 2}
			}
			return nil
		}}
		channels := []sensors.Channel{input(0, 0, 20*time.Millisecond), input(1, 1, 20*time.Millisecond), input(2, 2, 20*time.Millisecond)}
		samples := play(t, l, 4*time.Second-time.Millisecond, channels, nil)
		if last := l.asked[len(l.asked)-1]; last != "1:0+3" {
			t.Errorf("in the end asked %s", last)
		}
		if n := len(l.asked); n > 210 {
			t.Errorf("%d reads in 4 s", n)
		}
		good := 0
		for _, s := range samples {
			if s.Quality == sensors.Good {
				good++
			}
		}
		if len(samples) != 3*200 || good != 3*50 {
			t.Errorf("%d samples, %d of them good; want 600 and 150", len(samples), good)
		}
	})
}

func TestWatcherIsTold(t *testing.T) {
	d := newStandIn(t, false)
	told := make(chan sensors.Poll, 100)
	s, err := New("quay-io", d.device(), brakeChannels(5*time.Millisecond), sensors.WatcherFunc(func(device string, p sensors.Poll) {
		if device != "quay-io" {
			t.Errorf("told of %s", device)
		}
		select {
		case told <- p:
		default:
		}
	}), nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out := make(chan []sensors.Sample, 1)
	done := make(chan error)
	go func() { done <- s.Run(ctx, out) }()
	go func() {
		for range out {
		}
	}()
	defer close(out)
	for range 4 {
		p := <-told
		if p.Err != nil || p.Samples != 2 || p.Took <= 0 || time.Since(p.At) > 5*time.Second {
			t.Errorf("told %+v", p)
		}
	}
	d.close()
	deadline := time.After(5 * time.Second)
	for {
		select {
		case p := <-told:
			if p.Err == nil {
				continue
			}
			if p.Samples != 0 || !strings.Contains(p.Err.Error(), "of quay-io (unit 1): ") {
				t.Errorf("told %+v", p)
			}
		case <-deadline:
			t.Error("the failure wasn't told")
		}
		break
	}
	cancel()
	<-done
}

// A block that was read in parts is tried as a whole after ten minutes, then
// twenty, and so on, and read as a whole again once the device gives it.
func TestPartsAreJoinedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		given := start.Add(25 * time.Minute)
		l := &fakeLink{took: time.Millisecond, fail: func(_, f uint8, address, quantity uint16) error {
			if address <= 6 && 6 < address+quantity && time.Now().Before(given) {
				return &Exception{f, 2}
			}
			return nil
		}}
		channels := []sensors.Channel{input(0, 0, time.Second), input(1, 9, time.Second)}
		samples := play(t, l, 40*time.Minute-time.Microsecond, channels, nil)
		var tried []time.Duration
		for i, asked := range l.asked {
			if asked == "1:0+10" && len(tried) < 3 {
				tried = append(tried, l.since()[i].Round(time.Minute))
			}
		}
		if want := []time.Duration{0, 10 * time.Minute, 30 * time.Minute}; !slices.Equal(tried, want) {
			t.Errorf("the whole was tried after %v, want %v", tried, want)
		}
		if last := l.asked[len(l.asked)-2:]; last[0] != "1:0+10" || last[1] != "1:0+10" {
			t.Errorf("in the end asked %v", last)
		}
		count := map[int32]int{}
		for _, s := range samples {
			if s.Quality != sensors.Good {
				t.Fatalf("a sample is %v", s.Quality)
			}
			count[s.Brake]++
		}
		if count[0] < 2400 || count[0] > 2401 || count[1] != 2400 { // the whole may be read in the second part's turn
			t.Errorf("%v samples in 40 minutes at 1 s", count)
		}
	})
}

// A reading in doubt is bad, and the log says why, once.
func TestDoubtIsLogged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := input(0, 0, 20*time.Millisecond)
		c.Wiring.Type, c.Wiring.Raw, c.Wiring.Milliamps, c.Wiring.MM = sensors.S16, []float64{5530, 27648}, []float64{4, 20}, []float64{0, 10}
		var logged strings.Builder
		for _, s := range play(t, &fakeLink{took: time.Millisecond}, time.Minute, []sensors.Channel{c}, slog.New(slog.NewTextHandler(&logged, nil))) {
			if s.Quality != sensors.Bad {
				t.Fatalf("raw 0, no current, is %v", s.Quality)
			}
		}
		if n := strings.Count(logged.String(), "\n"); n != 1 || !strings.Contains(logged.String(), string(sensors.LoopLow)) || !strings.Contains(logged.String(), "brake 0") {
			t.Errorf("a broken wire is logged in %d lines:\n%s", n, logged.String())
		}
	})
}

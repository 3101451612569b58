package modbus

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gapward/sensors"
)

// stampDevice is a device in virtual time that stamps the changes of its drive
// (discrete input 0) by a clock of its own, and measures release times.
type stampDevice struct {
	t       *testing.T
	began   time.Time
	changes []time.Duration // of the drive, after began; it begins at 0
	step    time.Duration   // of its clock
	ahead   time.Duration   // what its clock shows at began
	fast    float64         // by how much it runs fast
	set     time.Duration   // when the clock is set forward by 3 s; 0: never
	lag     time.Duration   // by how much the bit comes later than the stamp
	wide    bool            // its clock has 32 bits
	took    func() time.Duration
	fail    func(after time.Duration, table Table) error
	refuse  bool // it has no stamps
	strict  bool // it refuses a register that holds nothing
	dead    bool // its stamps stand
}

// The registers: 40 the stamp, 42 the clock, 50 a measured time, 51 its counter.
func (d *stampDevice) read(ctx context.Context, a ask) (reply, error) {
	r := reply{sent: time.Now()}
	took := time.Millisecond
	if d.took != nil {
		took = d.took()
	}
	time.Sleep(took / 4)
	after := time.Since(d.began)
	time.Sleep(took - took/4)
	r.got = time.Now()
	if ctx.Err() != nil {
		return r, ctx.Err()
	}
	if d.fail != nil {
		if err := d.fail(after, a.table); err != nil {
			if errors.Is(err, errSilent) {
				time.Sleep(a.timeout)
			}
			return r, err
		}
	}
	n := 0 // changes so far
	for n < len(d.changes) && d.changes[n] <= after {
		n++
	}
	if a.table == DiscreteInputs {
		m := 0
		for m < len(d.changes) && d.changes[m]+d.lag <= after {
			m++
		}
		r.data = []byte{byte(m % 2)}
		return r, nil
	}
	registers := map[uint16]uint16{0: 1000}
	if !d.refuse {
		stamp := d.clock(0)
		if n > 0 && !d.dead {
			stamp = d.clock(d.changes[n-1])
		}
		now := d.clock(after)
		registers[40], registers[42] = uint16(stamp), uint16(now)
		if d.wide {
			registers[40], registers[41] = uint16(stamp>>16), uint16(stamp)
			registers[42], registers[43] = uint16(now>>16), uint16(now)
		}
		registers[50], registers[51] = uint16(180+n/2), uint16(65530+n/2)
	}
	for i := range a.quantity {
		at := a.address + i
		if d.refuse && (at >= 40 && at <= 43) {
			return r, &Exception{Function: a.table.Function(), Code: illegalAddress}
		}
		v, ok := registers[at]
		if d.strict && !ok {
			return r, &Exception{Function: a.table.Function(), Code: illegalAddress}
		}
		r.data = append(r.data, byte(v>>8), byte(v))
	}
	return r, nil
}

func (d *stampDevice) close() {}

func (d *stampDevice) clock(at time.Duration) uint32 {
	shown := d.ahead + time.Duration(float64(at)*(1+d.fast))
	if d.set > 0 && at >= d.set {
		shown += 3 * time.Second
	}
	return uint32(shown / d.step)
}

// stampedChannels are a travel and a drive whose changes are stamped.
func stampedChannels(d *stampDevice) []sensors.Channel {
	w := sensors.Wiring{Device: "quay-io", Poll: 20 * time.Millisecond}
	travel, drive := w, w
	travel.Input = ptr[uint16](0)
	drive.Discrete = ptr[uint16](0)
	drive.Stamp = &sensors.Stamp{Input: ptr[uint16](40), Clock: ptr[uint16](42), Step: d.step}
	if d.wide {
		drive.Stamp.Type = sensors.U32
	}
	return []sensors.Channel{
		{Name: "quay-2/main", Signal: sensors.Travel, Wiring: travel},
		{Name: "quay-2/main", Signal: sensors.Drive, Wiring: drive},
	}
}

// playStamps reads the device for a while, and says what it was told of the
// drive, and why where stamps could not be used.
func playStamps(t *testing.T, d *stampDevice, channels []sensors.Channel, over time.Duration, lg *slog.Logger) (samples []sensors.Sample, why []StampFault) {
	t.Helper()
	plan, err := PlanDevice(sensors.Device{Modbus: "tcp://hall", Unit: 1, Timeout: 100 * time.Millisecond}, channels)
	if err != nil {
		t.Fatal(err)
	}
	d.t, d.began = t, time.Now()
	watch := sensors.WatcherFunc(func(_ string, p sensors.Poll) {
		var e *StampError
		if errors.As(p.Err, &e) {
			why = append(why, e.Why)
		}
	})
	s := newSource("quay-io", plan, &inTurn{reader: d}, watch, lg)
	ctx, cancel := context.WithTimeout(t.Context(), over)
	defer cancel()
	out := make(chan []sensors.Sample)
	go func() {
		if err := s.Run(ctx, out); err != nil {
			t.Error(err)
		}
		close(out)
	}()
	lastNS := int64(0)
	for batch := range out {
		for _, s := range batch {
			if s.AtNS < lastNS {
				t.Fatalf("%v of %v follows one of %v", s.Signal, time.Unix(0, s.AtNS), time.Unix(0, lastNS))
			}
			lastNS = s.AtNS
			samples = append(samples, s)
		}
	}
	return samples, why
}

// told are the changes of the drive among samples: when, and whether a bad
// reading stood before it.
func told(samples []sensors.Sample) (at []time.Time, doubted []bool) {
	last, bad := 0.0, false
	for _, s := range samples {
		switch {
		case s.Signal != sensors.Drive:
		case s.Quality == sensors.Bad:
			bad = true
		case s.Quality == sensors.Good && s.Value != last:
			at, doubted, last, bad = append(at, time.Unix(0, s.AtNS)), append(doubted, bad), s.Value, false
		case s.Quality == sensors.Good:
			bad = false
		}
	}
	return at, doubted
}

// everySoOften makes changes at odd times.
func everySoOften(from time.Duration, n int) (changes []time.Duration) {
	rng := rand.New(rand.NewPCG(7, 7))
	for range n {
		changes = append(changes, from)
		from += 300*time.Millisecond + time.Duration(rng.Int64N(int64(time.Second)))
	}
	return changes
}

func TestStampsKeepTheDevicesResolution(t *testing.T) {
	uneven := func() func() time.Duration {
		rng := rand.New(rand.NewPCG(3, 1))
		return func() time.Duration { return time.Millisecond + time.Duration(rng.Int64N(int64(9*time.Millisecond))) }
	}
	for name, d := range map[string]*stampDevice{
		"milliseconds of 16 bits": {step: time.Millisecond, ahead: 64 * time.Second},
		"tenths of 32 bits":       {step: 100 * time.Microsecond, ahead: 119 * time.Hour, wide: true},
		"a clock that runs fast":  {step: time.Millisecond, ahead: 10 * time.Second, fast: 200e-6},
		"a clock that runs slow":  {step: time.Millisecond, ahead: 10 * time.Second, fast: -200e-6},
		"answers that take long":  {step: time.Millisecond, ahead: time.Second, took: uneven()},
		"nothing lies between":    {step: time.Millisecond, ahead: time.Second, strict: true},
		"the bit comes late":      {step: time.Millisecond, ahead: time.Second, lag: 8 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d.changes = everySoOften(3*time.Second, 80)
				samples, why := playStamps(t, d, stampedChannels(d), d.changes[79]+time.Second, nil)
				at, doubted := told(samples)
				if len(at) != len(d.changes) || len(why) > 0 || slices.Contains(doubted, true) {
					t.Fatalf("told of %d changes, want %d; not timed: %v", len(at), len(d.changes), why)
				}
				worst, apart := 0.0, 0.0
				for i, got := range at {
					off := got.Sub(d.began.Add(d.changes[i])).Seconds() * 1e3
					worst = math.Max(worst, math.Abs(off))
					if i > 0 {
						apart = math.Max(apart, math.Abs((got.Sub(at[i-1])-(d.changes[i]-d.changes[i-1])).Seconds()*1e3))
					}
				}
				// A stamp is the count in which the change fell: two of them are as
				// far apart as the changes to within one count, what the clocks drift
				// apart in the 1.3 s between, and half a count by which it may be
				// noticed late how they drift.
				limit := 1.5*d.step.Seconds()*1e3 + math.Abs(d.fast)*1300
				t.Logf("worst %.2f ms, two changes apart by %.2f ms more or less than they were", worst, apart)
				if apart > limit {
					t.Errorf("two changes come %.2f ms further apart or nearer than they were; the clock's step allows %.2f", apart, limit)
				}
				if worst > limit+2.5 { // and a quarter of the longest answer
					t.Errorf("a change is %.2f ms off", worst)
				}
			})
		})
	}
}

func TestStampsThatCanNotBeUsedAreDoubted(t *testing.T) {
	for name, c := range map[string]struct {
		d    stampDevice
		want StampFault
	}{
		"another register":       {stampDevice{dead: true}, StampStands},
		"steps of another size":  {stampDevice{step: 10 * time.Millisecond}, ClockUneven},
		"the clock is set":       {stampDevice{set: 3500 * time.Millisecond}, ClockUneven},
		"the device has no such": {stampDevice{refuse: true}, StampLate},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := c.d
				d.ahead = 5 * time.Second
				stated := d
				if stated.step = time.Millisecond; d.step == 0 {
					d.step = time.Millisecond
				}
				d.changes = []time.Duration{3600 * time.Millisecond, 4100 * time.Millisecond}
				samples, why := playStamps(t, &d, stampedChannels(&stated), 6*time.Second, nil)
				at, doubted := told(samples)
				if len(at) != 2 || slices.Contains(doubted, false) {
					t.Fatalf("told of the changes %v, doubted %v", at, doubted)
				}
				if len(why) != 2 || why[0] != c.want || why[1] != c.want {
					t.Errorf("because %v, want %q twice", why, c.want)
				}
				for i, got := range at {
					if late := got.Sub(d.began.Add(d.changes[i])); late < 0 || late > 25*time.Millisecond {
						t.Errorf("change %d is told %v after it; it was to be seen by polling", i, late)
					}
				}
			})
		})
	}
}

// A clock that was set is believed again once it has run evenly, and so is one
// that was silent for as long as it takes to begin anew.
func TestStampsAreBelievedAgain(t *testing.T) {
	for name, d := range map[string]*stampDevice{
		"set": {set: 4 * time.Second},
		"silent for 100 s": {fail: func(after time.Duration, _ Table) error {
			if after > 4*time.Second && after < 104*time.Second {
				return errSilent
			}
			return nil
		}},
		"stamps silent for a while": {fail: func(after time.Duration, table Table) error {
			if table == InputRegisters && after > 4*time.Second && after < 6*time.Second {
				return errSilent
			}
			return nil
		}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d.step, d.ahead = time.Millisecond, time.Second
				d.changes = []time.Duration{3 * time.Second, 110 * time.Second, 111 * time.Second}
				samples, why := playStamps(t, d, stampedChannels(d), 113*time.Second, nil)
				at, doubted := told(samples)
				if len(at) != 3 || len(why) > 0 || slices.Contains(doubted, true) {
					t.Fatalf("told of the changes %v, doubted %v because %v", at, doubted, why)
				}
				for i, got := range at {
					if off := got.Sub(d.began.Add(d.changes[i])).Abs(); off > 1500*time.Microsecond {
						t.Errorf("change %d is %v off", i, off)
					}
				}
			})
		})
	}
}

// What else comes on the bus isn't held back for long by stamps that don't come.
func TestStampsHoldBackNothingForLong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &stampDevice{step: time.Millisecond, changes: everySoOften(2*time.Second, 20), fail: func(after time.Duration, table Table) error {
			if table == DiscreteInputs && after%(3*time.Second) > 2*time.Second {
				return errSilent
			}
			return nil
		}}
		channels := stampedChannels(d)
		s := newSource("quay-io", mustPlan(t, channels), &inTurn{reader: d}, nil, nil)
		d.began = time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), 12*time.Second)
		defer cancel()
		out := make(chan []sensors.Sample)
		done := make(chan error)
		go func() { done <- s.Run(ctx, out) }()
		most := StampWait(sensors.Device{Timeout: 100 * time.Millisecond}, 20*time.Millisecond)
		for {
			select {
			case batch := <-out:
				for _, s := range batch {
					if held := time.Since(time.Unix(0, s.AtNS)); held > most+time.Millisecond {
						t.Fatalf("%v came %v after its time, more than %v", s.Signal, held, most)
					}
				}
				continue
			case err := <-done:
				if err != nil {
					t.Fatal(err)
				}
			}
			return
		}
	})
}

// Nor by those of a unit that is so slow that it has its turn but seldom.
func TestStampsOfASlowUnitHoldBackNothingForLong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &stampDevice{step: time.Millisecond, changes: everySoOften(2*time.Second, 20), began: time.Now(), took: func() time.Duration { return 90 * time.Millisecond }}
		channels := stampedChannels(d)
		devices := map[string]sensors.Device{"quay-io": {Modbus: "tcp://hall", Unit: 1, Timeout: 100 * time.Millisecond}}
		for i, name := range []string{"pit-io", "yard-io"} {
			c := channels[0]
			c.Brake, c.Name, c.Wiring.Device = int32(1+i), name, name
			channels = append(channels, c)
			devices[name] = sensors.Device{Modbus: "tcp://hall", Unit: uint8(2 + i), Timeout: 100 * time.Millisecond}
		}
		plan, err := PlanBus(devices, channels)
		if err != nil {
			t.Fatal(err)
		}
		s := newSource("hall", plan, &inTurn{reader: slowFirst{d, &fakeLink{took: time.Millisecond}}}, nil, nil)
		ctx, cancel := context.WithTimeout(t.Context(), 12*time.Second)
		defer cancel()
		out := make(chan []sensors.Sample)
		go func() {
			if err := s.Run(ctx, out); err != nil {
				t.Error(err)
			}
			close(out)
		}()
		most := StampWait(devices["quay-io"], 20*time.Millisecond) + 150*time.Millisecond // and a request of the slow one, and a batch that waits for others
		for batch := range out {
			for _, s := range batch {
				if held := time.Since(time.Unix(0, s.AtNS)); held > most {
					t.Fatalf("%v of brake %d came %v after its time, more than %v", s.Signal, s.Brake, held, most)
				}
			}
		}
	})
}

// slowFirst is unit 1 and the others.
type slowFirst struct {
	first  *stampDevice
	others *fakeLink
}

func (l slowFirst) read(ctx context.Context, a ask) (reply, error) {
	if a.unit == 1 {
		return l.first.read(ctx, a)
	}
	return l.others.read(ctx, a)
}

func (l slowFirst) close() {}

func mustPlan(t *testing.T, channels []sensors.Channel) Plan {
	t.Helper()
	p, err := PlanDevice(sensors.Device{Modbus: "tcp://hall", Unit: 1, Timeout: 100 * time.Millisecond}, channels)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestMeasuredTimesAreToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &stampDevice{step: time.Millisecond, changes: everySoOften(time.Second, 20)}
		d.fail = func(after time.Duration, _ Table) error {
			if after > d.changes[9]-200*time.Millisecond && after < d.changes[9]+200*time.Millisecond {
				return errSilent
			}
			return nil
		}
		c := sensors.Channel{Name: "quay-2/main", Signal: sensors.ReleaseTime, Wiring: sensors.Wiring{
			Device: "quay-io", Input: ptr[uint16](50), Counter: ptr[uint16](51), Step: time.Millisecond, Poll: 20 * time.Millisecond}}
		samples, _ := playStamps(t, d, []sensors.Channel{c}, d.changes[19]+time.Second, nil)
		var got []float64
		for _, s := range samples {
			if s.Quality == sensors.Good {
				got = append(got, s.Value)
			}
		}
		// The counter moves with each second change, the first after the second, from
		// 65530 over its end. Around the tenth the device is silent: what it measured
		// then would be taken for a later cycle's.
		want := []float64{181, 182, 183, 184, 186, 187, 188, 189, 190}
		if !slices.Equal(got, want) {
			t.Errorf("told of %v, want %v", got, want)
		}
	})
}

// What was measured while nobody looked for long may be another cycle's.
func TestATimeThatWaitedForLongIsNotTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &stampDevice{step: time.Millisecond, changes: everySoOften(time.Second, 8)}
		d.took = func() time.Duration {
			after := time.Since(d.began)
			if after > d.changes[3]-100*time.Millisecond && after < d.changes[3] {
				return 300 * time.Millisecond // the counter is read early on in this …
			}
			if after > d.changes[5]-100*time.Millisecond && after < d.changes[5] {
				return 160 * time.Millisecond // … and in this
			}
			return time.Millisecond
		}
		c := sensors.Channel{Name: "quay-2/main", Signal: sensors.ReleaseTime, Wiring: sensors.Wiring{
			Device: "quay-io", Input: ptr[uint16](50), Counter: ptr[uint16](51), Step: time.Millisecond, Poll: 20 * time.Millisecond}}
		samples, _ := playStamps(t, d, []sensors.Channel{c}, d.changes[7]+time.Second, nil)
		var got []float64
		for _, s := range samples {
			got = append(got, s.Value)
		}
		if want := []float64{181, 183, 184}; !slices.Equal(got, want) {
			t.Errorf("told of %v, want %v", got, want)
		}
	})
}

func TestStampsAreReadWithTheirClock(t *testing.T) {
	d := &stampDevice{step: time.Millisecond, wide: true}
	channels := stampedChannels(d)
	released := channels[1]
	released.Signal = sensors.Released
	released.Wiring.Discrete = ptr[uint16](1)
	released.Wiring.Stamp = &sensors.Stamp{Input: ptr[uint16](60), Clock: ptr[uint16](42), Type: sensors.U32, Step: time.Millisecond}
	p := mustPlan(t, append(channels, released))
	var got []string
	for i := range p.Requests {
		got = append(got, p.Requests[i].String())
	}
	want := []string{"discrete inputs 0 to 1 of quay-io (unit 1)", "input registers 0 to 61 of quay-io (unit 1)"}
	if !slices.Equal(got, want) {
		t.Errorf("it asks for %q, want %q", got, want)
	}
	a, b, ok := p.Requests[1].halves()
	if !ok || a.Address != 0 || a.Quantity != 1 || b.Address != 40 || b.Quantity != 22 {
		t.Errorf("refused, it asks for %v and %v", &a, &b)
	}
}

func TestWronglyWiredStamps(t *testing.T) {
	for want, change := range map[string]func(*sensors.Channel){
		"only drive and released change": func(c *sensors.Channel) {
			c.Signal, c.Wiring.Input, c.Wiring.Discrete = sensors.Travel, ptr[uint16](0), nil
		},
		"step is 0s":                     func(c *sensors.Channel) { c.Wiring.Stamp.Step = 0 },
		"write one of input and holding": func(c *sensors.Channel) { c.Wiring.Stamp.Holding = ptr[uint16](3) },
		"write clock":                    func(c *sensors.Channel) { c.Wiring.Stamp.Clock = nil },
		"type f32 counts nothing":        func(c *sensors.Channel) { c.Wiring.Stamp.Type = sensors.F32 },
		"unknown word order":             func(c *sensors.Channel) { c.Wiring.Stamp.Words = "abba" },
		"reach beyond the last register": func(c *sensors.Channel) {
			c.Wiring.Stamp.Input, c.Wiring.Stamp.Clock, c.Wiring.Stamp.Type = ptr[uint16](65535), ptr[uint16](65500), sensors.U32
		},
		"only release_ms and set_ms have a": func(c *sensors.Channel) {
			c.Wiring.Discrete, c.Wiring.Input, c.Wiring.Counter = nil, ptr[uint16](0), ptr[uint16](1)
		},
		"write counter, the register": func(c *sensors.Channel) {
			c.Signal, c.Wiring = sensors.SetTime, sensors.Wiring{Device: "quay-io", Input: ptr[uint16](0)}
		},
		"registers 0 and 200 lie too far apa": func(c *sensors.Channel) {
			c.Signal, c.Wiring = sensors.SetTime, sensors.Wiring{Device: "quay-io", Input: ptr[uint16](0), Counter: ptr[uint16](200)}
		},
	} {
		c := stampedChannels(&stampDevice{step: time.Millisecond})[1]
		change(&c)
		_, err := PlanDevice(sensors.Device{Modbus: "tcp://hall", Unit: 1}, []sensors.Channel{c})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q in it", err, want)
		}
	}
}

// A device whose stamps, clock, counter and contact are noise brings samples in
// the order of time all the same, held back no longer than others.
func TestNoiseInStampsKeepsOrder(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 5))
			d := &stampDevice{step: time.Millisecond, wide: seed%2 == 0}
			channels := stampedChannels(d)
			told := channels[0]
			told.Signal, told.Wiring.Input, told.Wiring.Counter = sensors.ReleaseTime, ptr[uint16](50), ptr[uint16](51)
			noise := &noiseDevice{rng}
			s := newSource("quay-io", mustPlan(t, append(channels, told)), &inTurn{reader: noise}, nil, nil)
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			defer cancel()
			out := make(chan []sensors.Sample)
			go func() {
				if err := s.Run(ctx, out); err != nil {
					t.Error(err)
				}
				close(out)
			}()
			most := StampWait(sensors.Device{Timeout: 100 * time.Millisecond}, 20*time.Millisecond) + 100*time.Millisecond
			lastNS, n := int64(0), 0
			for batch := range out {
				for _, s := range batch {
					if s.AtNS < lastNS {
						t.Fatalf("%v comes %v too late", s.Signal, time.Duration(lastNS-s.AtNS))
					}
					if ago := time.Since(time.Unix(0, s.AtNS)); ago > most || ago < 0 {
						t.Fatalf("%v has a time %v ago", s.Signal, ago)
					}
					lastNS = s.AtNS
					n++
				}
			}
			if n < 200 {
				t.Errorf("only %d samples", n)
			}
		})
	}
}

// noiseDevice answers with noise, late, or not at all.
type noiseDevice struct{ rng *rand.Rand }

func (d *noiseDevice) read(ctx context.Context, a ask) (reply, error) {
	r := reply{sent: time.Now()}
	time.Sleep(time.Duration(d.rng.Int64N(int64(20 * time.Millisecond))))
	r.got = time.Now()
	switch d.rng.IntN(20) {
	case 0:
		time.Sleep(a.timeout)
		return r, errSilent
	case 1:
		return r, &Exception{Function: a.table.Function(), Code: 4}
	}
	for range replyBytes(a.table, a.quantity) {
		r.data = append(r.data, byte(d.rng.Uint32()))
	}
	return r, ctx.Err()
}

func (d *noiseDevice) close() {}

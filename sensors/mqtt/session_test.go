package mqtt

import (
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"gapward/sensors"
)

// keptChannels are channels on a device that keeps a session.
func keptChannels() []sensors.Channel {
	list := quayChannels()[:1]
	list[0].Wiring.Value, list[0].Wiring.Time = "/v", "/t"
	return list
}

// life is one run of a source on a kept session, from start to stop.
type life struct {
	source *Source
	out    chan []sensors.Sample
	polls  chan sensors.Poll
	cancel context.CancelFunc
	done   chan error
}

func live(t *testing.T, dev sensors.Device, address string, lg *logText) *life {
	t.Helper()
	dev.MQTT, dev.ClientID, dev.KeepSession = "mqtt://"+address, "gapward-kestrel-quay", true
	l := &life{out: make(chan []sensors.Sample, 64), polls: make(chan sensors.Poll, 1024), done: make(chan error, 1)}
	w := sensors.WatcherFunc(func(_ string, p sensors.Poll) {
		select {
		case l.polls <- p:
		default:
		}
	})
	var err error
	if l.source, err = New("quay-io", dev, keptChannels(), w, lg.logger(), Options{MaxReconnect: 200 * time.Millisecond}); err != nil {
		t.Fatal(err)
	}
	var ctx context.Context
	ctx, l.cancel = context.WithCancel(t.Context())
	go func() { l.done <- l.source.Run(ctx, l.out) }()
	return l
}

// listening waits until its topics are granted.
func (l *life) listening(t *testing.T) {
	t.Helper()
	for deadline := time.After(20 * time.Second); ; {
		select {
		case p := <-l.polls:
			if p.Err == nil && p.Samples == 0 {
				return
			}
		case <-deadline:
			t.Fatal("it doesn't subscribe")
		}
	}
}

// end stops it, as a kill would: nothing more is acknowledged.
func (l *life) end(t *testing.T) {
	t.Helper()
	l.cancel()
	select {
	case err := <-l.done:
		if err != nil {
			t.Errorf("Run returned %v", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("Run doesn't end")
	}
}

// values receives good values until the wanted last one has come.
func (l *life) values(t *testing.T, last float64) (values []float64, atNS []int64) {
	t.Helper()
	deadline := time.After(20 * time.Second)
	for {
		select {
		case batch := <-l.out:
			for _, s := range batch {
				if s.Signal == sensors.Tick || s.Quality == sensors.NoAnswer {
					continue
				}
				if s.Quality != sensors.Good {
					t.Fatalf("a reading is %v", s.Quality)
				}
				values, atNS = append(values, s.Value), append(atNS, s.AtNS)
				if s.Value == last {
					return values, atNS
				}
			}
		case <-deadline:
			t.Fatalf("%v didn't come; there came %v", last, values)
		}
	}
}

// What isn't confirmed comes again to the next run, in its own time and before
// anything else, together with what was sent while nobody was there; what is
// confirmed doesn't.
func TestMosquittoKeptSessionLosesNothing(t *testing.T) {
	m := startMosquitto(t)
	dev, log, rig := m.device("pw-edge"), &logText{}, m.rig()
	defer func() {
		if t.Failed() {
			t.Logf("log:\n%s", log)
		}
	}()
	sent := map[float64]int64{}
	say := func(v int) {
		at := time.Now().UnixNano()
		sent[float64(v)/100] = at
		m.publish(rig, "quay/travel", fmt.Sprintf(`{"t":%s,"v":%d}`, unixText(at), v), false)
	}
	first := live(t, dev, m.address, log)
	first.listening(t)
	for v := 100; v <= 500; v += 100 {
		say(v)
	}
	if got, _ := first.values(t, 5); !slices.Equal(got, []float64{1, 2, 3, 4, 5}) {
		t.Fatalf("at first %v came", got)
	}
	if n := first.source.Counts().Unconfirmed; n != 5 {
		t.Errorf("before anything is confirmed %d messages wait, want 5", n)
	}
	first.source.Confirm(sent[3])
	eventually(t, "the confirmed are acknowledged", func() bool { return first.source.Counts().Unconfirmed == 2 })
	first.end(t)

	say(600) // while nobody is there
	say(700)
	second := live(t, dev, m.address, log)
	got, at := second.values(t, 7)
	// The third may come again too: that its acknowledgement has gone out isn't
	// told before the connection ends.
	if i := slices.Index(got, 4); i < 0 || i > 3 || !slices.Equal(got[i:], []float64{4, 5, 6, 7}) {
		t.Errorf("after the restart %v came, want what wasn't confirmed and what was sent meanwhile", got)
	}
	for i, v := range got {
		if at[i] != sent[v] {
			t.Errorf("%v comes with the time %d, it was sent with %d", v, at[i], sent[v])
		}
	}
	second.source.Confirm(sent[7])
	eventually(t, "all are acknowledged", func() bool { return second.source.Counts().Unconfirmed == 0 })
	say(750) // its coming shows that the acknowledgements before it have gone
	second.values(t, 7.5)
	second.end(t)

	third := live(t, dev, m.address, log)
	defer third.end(t)
	say(800)
	if got, _ := third.values(t, 8); !slices.Equal(got, []float64{7.5, 8}) {
		t.Errorf("once all but the last was confirmed %v came, want 7.5 and 8", got)
	}
}

// A connection that is lost while the gateway runs has messages come again that
// it has taken already: they are no second reading, and what was sent in the
// meantime is too late.
func TestMosquittoReconnectTakesNothingTwice(t *testing.T) {
	m := startMosquitto(t)
	way := newCable(t, m.address)
	dev, log, rig := m.device("pw-edge"), &logText{}, m.rig()
	l := live(t, dev, way.address, log)
	defer l.end(t)
	l.listening(t)
	say := func(v int) {
		m.publish(rig, "quay/travel", fmt.Sprintf(`{"t":%s,"v":%d}`, unixText(time.Now().UnixNano()), v), false)
	}
	say(100)
	say(200)
	if got, _ := l.values(t, 2); !slices.Equal(got, []float64{1, 2}) {
		t.Fatalf("at first %v came", got)
	}
	way.cut()
	silence := func() {
		t.Helper()
		for d := time.After(20 * time.Second); ; {
			select {
			case batch := <-l.out:
				if batch[len(batch)-1].Quality == sensors.NoAnswer {
					return
				}
			case <-d:
				t.Fatal("the loss isn't told")
			}
		}
	}
	silence()
	say(250)
	silence() // the world has been told of the time after it
	silence()
	way.mend()
	defer func() {
		if t.Failed() {
			t.Logf("counts %+v, log:\n%s", l.source.Counts(), log)
		}
	}()
	eventually(t, "what was taken comes again and counts as such", func() bool { c := l.source.Counts(); return c.Duplicates == 2 && c.Missed == 1 })
	say(300)
	if got, _ := l.values(t, 3); !slices.Equal(got, []float64{3}) {
		t.Errorf("after the connection was lost %v came, want 3 alone", got)
	}
	if c := l.source.Counts(); c.Late+c.Refused+c.Overrun != 0 || c.Unconfirmed < 3 {
		t.Errorf("counts are %+v", c)
	}
}

// Without anything kept the source says so, for the gateway waits to hear it.
func TestAnEmptySessionIsHeard(t *testing.T) {
	l := live(t, sensors.Device{}, startBroker(t).address, &logText{})
	defer l.end(t)
	select {
	case batch := <-l.out:
		if len(batch) != 1 || batch[0].Signal != sensors.Tick {
			t.Errorf("it begins with %+v, want a tick alone", batch)
		}
	case <-time.After(sensors.KeeperFirst):
		t.Error("it says nothing")
	}
}

// Readings that come in quick succession, on a connection that took its time, put
// nothing off: each is handed on, and the end of what was kept is found.
func TestQuickReadingsAreHandedOn(t *testing.T) {
	broker := startBroker(t)
	broker.breakDown()
	l := live(t, sensors.Device{}, broker.address, &logText{})
	defer l.end(t)
	time.Sleep(150 * time.Millisecond)
	broker.heal()
	ctx, stop := context.WithCancel(t.Context())
	var sending sync.WaitGroup
	defer sending.Wait()
	defer stop()
	sending.Go(func() {
		for tick := time.NewTicker(5 * time.Millisecond); ctx.Err() == nil; <-tick.C {
			broker.publish("quay/travel", fmt.Sprintf(`{"t":%s,"v":100}`, unixText(time.Now().UnixNano())), false)
		}
	})
	l.values(t, 1)
}

// So it does where there is no broker, and silence is told from then on.
func TestABrokerThatIsAwayIsNotWaitedForLong(t *testing.T) {
	l := live(t, sensors.Device{}, "127.0.0.1:1", &logText{})
	defer l.end(t)
	deadline := time.After(sensors.KeeperFirst)
	for {
		select {
		case batch := <-l.out:
			if batch[len(batch)-1].Quality == sensors.NoAnswer {
				return
			}
		case <-deadline:
			t.Fatal("no silence is told")
		}
	}
}

// A device whose clock is behind is found out, kept session or not: its
// readings aren't taken for ever for those that the broker had kept.
func TestAClockBehindIsFoundOutOnAKeptSession(t *testing.T) {
	const second = int64(time.Second)
	c := newCatchUp(true, 90*second)
	if !c.kept(50*second, 101*second, 100*second) || c.kept(50*second, 106*second, 100*second) {
		t.Error("a reading of long ago must count as kept soon after the connection only")
	}
	if c.kept(200*second, 201*second, 200*second) || c.kept(150*second, 202*second, 200*second) {
		t.Error("the first reading of the present ends the past")
	}
	if c = newCatchUp(false, 90*second); c.kept(50*second, 101*second, 100*second) {
		t.Error("nothing is kept of a clean session")
	}
}

// cable is a way to the broker that can be cut.
type cable struct {
	address, to string
	mu          sync.Mutex
	whole       bool
	conns       []net.Conn
}

func newCable(t *testing.T, to string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{address: l.Addr().String(), to: to, whole: true}
	t.Cleanup(func() { l.Close(); c.cut() })
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			c.join(near)
		}
	}()
	return c
}

func (c *cable) join(near net.Conn) {
	c.mu.Lock()
	defer c.mu.Unlock()
	far, err := net.Dial("tcp", c.to)
	if err != nil || !c.whole {
		near.Close()
		if err == nil {
			far.Close()
		}
		return
	}
	c.conns = append(c.conns, near, far)
	pass := func(to, from net.Conn) {
		_, _ = io.Copy(to, from) // until either is closed
		to.Close()
		from.Close()
	}
	go pass(near, far)
	go pass(far, near)
}

func (c *cable) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.whole = false
	for _, conn := range c.conns {
		conn.Close()
	}
	c.conns = nil
}

func (c *cable) mend() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.whole = true
}

func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it isn't so that %s", what)
		}
	}
}

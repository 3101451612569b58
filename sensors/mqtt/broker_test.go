package mqtt

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/simulator/field"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// standInBroker is a broker in this process that can go away and come back at
// the same address.
type standInBroker struct {
	t       testing.TB
	rules   *accessRules
	address string

	mu     sync.Mutex
	server *mochi.Server // nil while it is away
	mute   net.Listener  // takes connections and says nothing
}

// accessRules let in who knows the password, and keep topics from them.
type accessRules struct {
	mochi.HookBase
	mu        sync.Mutex
	password  string
	forbidden []string
	granted   chan string // the topics subscribed, where somebody wants to know
}

func (r *accessRules) ID() string { return "access" }

func (r *accessRules) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnSubscribed
}

func (r *accessRules) OnConnectAuthenticate(_ *mochi.Client, pk packets.Packet) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return string(pk.Connect.Password) == r.password
}

func (r *accessRules) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return write || !slices.Contains(r.forbidden, topic)
}

func (r *accessRules) OnSubscribed(_ *mochi.Client, pk packets.Packet, codes []byte) {
	for i, f := range pk.Filters {
		if codes[i] < 0x80 {
			select {
			case r.granted <- f.Filter:
			default:
			}
		}
	}
}

func (r *accessRules) forbid(topics ...string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.forbidden = topics
}

func startBroker(t testing.TB) *standInBroker {
	b := &standInBroker{t: t, rules: &accessRules{granted: make(chan string, 100)}, address: "127.0.0.1:0"}
	b.heal()
	t.Cleanup(b.breakDown)
	return b
}

func (b *standInBroker) heal() {
	b.mu.Lock()
	defer b.mu.Unlock()
	server := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(b.rules, nil); err != nil {
		b.t.Fatal(err)
	}
	listener := field.NewListener(b.address)
	if err := server.AddListener(listener); err != nil {
		b.t.Fatal(err)
	}
	b.address = listener.Address()
	if err := server.Serve(); err != nil {
		b.t.Fatal(err)
	}
	b.server = server
}

func (b *standInBroker) breakDown() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.mute != nil {
		b.mute.Close()
		b.mute = nil
	}
	if b.server != nil {
		if err := b.server.Close(); err != nil {
			b.t.Error(err)
		}
		b.server = nil
	}
}

// hang makes the address one that takes connections and never answers.
func (b *standInBroker) hang() {
	b.breakDown()
	b.mu.Lock()
	defer b.mu.Unlock()
	var err error
	if b.mute, err = net.Listen("tcp", b.address); err != nil {
		b.t.Fatal(err)
	}
	go func(l net.Listener) {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				_, _ = io.Copy(io.Discard, conn) // until the other side gives up
				conn.Close()
			}()
		}
	}(b.mute)
}

// publish sends a message, if the broker is there.
func (b *standInBroker) publish(topic, payload string, retain bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.server == nil {
		return
	}
	if err := b.server.Publish(topic, []byte(payload), retain, 1); err != nil {
		b.t.Error(err)
	}
}

// awaitSubscription waits until a topic is subscribed.
func (b *standInBroker) awaitSubscription(topic string) {
	b.t.Helper()
	deadline := time.After(10 * time.Second)
	for {
		select {
		case got := <-b.rules.granted:
			if got == topic {
				return
			}
		case <-deadline:
			b.t.Fatalf("topic %s wasn't subscribed", topic)
		}
	}
}

// logText is a log that can be read while it is written.
type logText struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *logText) count(part string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.text.String(), part)
}

func (l *logText) logger() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

// running is a source that runs, with all that it sends and tells.
type running struct {
	t      testing.TB
	source *Source
	out    chan []sensors.Sample
	polls  chan sensors.Poll
	log    *logText
	lastNS int64
	seen   []sensors.Sample
}

// runSource starts a source and stops it at the end of the test.
func runSource(t testing.TB, address string, dev sensors.Device, channels []sensors.Channel, opts Options) *running {
	t.Helper()
	r := &running{t: t, out: make(chan []sensors.Sample, 64), polls: make(chan sensors.Poll, 4096), log: &logText{}}
	dev.MQTT = address
	if !strings.Contains(address, "://") {
		dev.MQTT = "mqtt://" + address
	}
	if opts.MaxReconnect == 0 {
		opts.MaxReconnect = 200 * time.Millisecond
	}
	watcher := sensors.WatcherFunc(func(_ string, p sensors.Poll) {
		select {
		case r.polls <- p:
		default:
		}
	})
	var err error
	if r.source, err = New("quay-io", dev, channels, watcher, r.log.logger(), opts); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.source.Run(ctx, r.out) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run returned %v", err)
			}
		case <-time.After(time.Second):
			t.Error("Run hadn't returned a second after its context ended")
		}
		if t.Failed() {
			t.Logf("log:\n%s", r.log)
		}
	})
	return r
}

// await receives until a sample is as wanted, and returns it.
func (r *running) await(what string, want func(sensors.Sample) bool) sensors.Sample {
	r.t.Helper()
	return r.awaitWithin(10*time.Second, what, want)
}

func (r *running) awaitWithin(most time.Duration, what string, want func(sensors.Sample) bool) sensors.Sample {
	r.t.Helper()
	deadline := time.After(most)
	for {
		select {
		case batch := <-r.out:
			var found *sensors.Sample
			for i, s := range batch {
				if s.AtNS < r.lastNS {
					r.t.Fatalf("%+v is before the sample sent earlier", s)
				}
				r.lastNS = s.AtNS
				if found == nil && want(s) {
					found = &batch[i]
				}
			}
			r.seen = append(r.seen, batch...)
			if found != nil {
				return *found
			}
		case <-deadline:
			r.t.Fatalf("no sample came that was %s", what)
		}
	}
}

// awaitError waits until the watcher is told of an error with that text.
func (r *running) awaitError(part string) {
	r.t.Helper()
	deadline := time.After(10 * time.Second)
	for {
		select {
		case p := <-r.polls:
			if p.Err != nil && strings.Contains(p.Err.Error(), part) {
				return
			}
		case <-r.out:
		case <-deadline:
			r.t.Fatalf("the watcher wasn't told of %q", part)
		}
	}
}

func goodValue(v float64) func(sensors.Sample) bool {
	return func(s sensors.Sample) bool { return s.Quality == sensors.Good && math.Abs(s.Value-v) < 1e-9 }
}

func withQuality(q sensors.Quality) func(sensors.Sample) bool {
	return func(s sensors.Sample) bool { return s.Quality == q }
}

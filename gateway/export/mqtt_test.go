package export

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
	simulated "gapward/simulator/field"
)

// door lets everybody in who knows the password, and can stop acknowledging.
type door struct {
	mochi.HookBase
	mu    sync.Mutex
	deaf  bool
	taken int // cycles, while deaf
}

func (d *door) ID() string { return "door" }
func (d *door) Provides(b byte) bool {
	return bytes.Contains([]byte{mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPublish}, []byte{b})
}
func (d *door) OnConnectAuthenticate(_ *mochi.Client, pk packets.Packet) bool {
	return string(pk.Connect.Password) == "secret"
}
func (d *door) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// OnPublish of a deaf broker rejects the packet without a word.
func (d *door) OnPublish(_ *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.deaf && strings.HasSuffix(pk.TopicName, "/cycle") {
		d.taken++
		return pk, packets.ErrRejectPacket
	}
	return pk, nil
}

// startMochi runs a broker inside the test, until stop is called.
func startMochi(t *testing.T, address string) (server *mochi.Server, d *door, at string, stop func()) {
	t.Helper()
	server = mochi.New(&mochi.Options{Logger: quiet()})
	d = &door{}
	if err := server.AddHook(d, nil); err != nil {
		t.Fatal(err)
	}
	l := simulated.NewListener(address)
	if err := server.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	stop = sync.OnceFunc(func() { _ = server.Close() })
	t.Cleanup(stop)
	return server, d, l.Address(), stop
}

// subscriber hears everything under a filter of topics.
type subscriber struct{ *exporttest.Listener }

func subscribe(t *testing.T, address, user string) *subscriber {
	t.Helper()
	return &subscriber{exporttest.Listen(t, address, user, "gapward/#")}
}

// cycles are the ids of the cycles heard, with the times they came with.
func (s *subscriber) cycles(t *testing.T) map[int64]string {
	t.Helper()
	ids := map[int64]string{}
	for _, m := range s.Heard() {
		if !strings.HasSuffix(m.Topic(), "/cycle") {
			continue
		}
		var c struct {
			ID          int64
			Time, Brake string
		}
		if err := json.Unmarshal(m.Payload(), &c); err != nil {
			t.Errorf("%s is no JSON: %v", m.Payload(), err)
		}
		if want := "gapward/Kestrel-Quay/" + c.Brake + "/cycle"; m.Topic() != want {
			t.Errorf("a cycle of %s came on %s", c.Brake, m.Topic())
		}
		ids[c.ID] = c.Time
	}
	return ids
}

// startMQTT runs the sink's connection until stop is called.
func startMQTT(t *testing.T, address string) (m *MQTT, stop func()) {
	t.Helper()
	m, err := NewMQTT(MQTTSettings{URL: "mqtt://" + address, User: "edge", PasswordFile: tokenFile(t, "secret")}, site, []string{mainBrake, creepBrake}, testLog(t))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return m, stop
}

const mainTopic = "gapward/Kestrel-Quay/quay-2/main"

// TestMQTTMessages checks every topic and payload.
func TestMQTTMessages(t *testing.T) {
	_, _, address, _ := startMochi(t, "127.0.0.1:0")
	m, stop := startMQTT(t, address)
	s := subscribe(t, address, "edge")
	rows := Rows{
		Alarms: []store.AlarmRow{
			{ID: 7, Event: alarmAt(mainBrake, analysis.GapAdjust, 2, alerts.Unacknowledged).Event},
			{ID: 8, Event: alarmAt("", analysis.GatewayFault, 2, alerts.Normal).Event},
		},
		Verdicts:  []store.VerdictRow{verdictOf(mainBrake, 5)},
		Forecasts: []store.ForecastRow{forecastOf(mainBrake, "adjust", 0), forecastOf(mainBrake, "max", 0)},
		Cycles:    []store.CycleRow{cycleAt(mainBrake, 0)},
	}
	rows.Cycles[0].ID, rows.Forecasts[0].ID = 9, 3
	if err := m.Deliver(t.Context(), rows); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		mainTopic + "/alarm":                 `{"type":"alarm","brake":"quay-2/main","time":"2026-03-01T06:00:02.123456789Z","condition":"gap-adjust","state":"raised","value":2.81,"unit":"mm","limit":2.8,"id":7}`,
		mainTopic + "/state":                 `{"type":"state","brake":"quay-2/main","time":"2026-03-01T06:00:00.123456794Z","state":"in-limits","gap_mm":1.7,"gap_u_mm":0.02,"release_ms":210,"release_u_ms":10,"full":5,"jogs":3}`,
		mainTopic + "/cycle":                 `{"type":"cycle","brake":"quay-2/main","time":"2026-03-01T06:00:00.123456789Z","kind":"full","gap_mm":1.6,"gap_u_mm":0.011,"gap_u_cal_mm":0.01,"release_ms":200,"release_u_ms":3,"set_ms":250,"set_u_ms":4,"flags":["spikes"],"id":9}`,
		mainTopic + "/forecast":              `{"type":"forecast","brake":"quay-2/main","time":"2026-03-01T06:00:00.123456789Z","limit":"adjust","gap_mm":1.7,"gap_u_mm":0.02,"wear_um_per_1000_cycles":12.5,"cycles":{"p05":50000,"p50":88000},"date":{"p05":"2027-01-15T08:00:00Z","p50":"2030-03-17T17:46:40Z"},"id":3}`,
		"gapward/Kestrel-Quay/gateway":       "online",
		"gapward/Kestrel-Quay/gateway/alarm": `{"type":"alarm","brake":"","time":"2026-03-01T06:00:02.123456789Z","condition":"gateway-fault","state":"cleared","value":2.81,"unit":"mm","limit":2.8,"id":8}`,
	}
	for topic, payload := range want {
		eventually(t, "a message on "+topic, func() bool { return len(s.On(topic)) > 0 })
		// A subscriber that comes just when "online" is published hears it both
		// as it happens and as what is retained.
		if got := slices.Compact(s.On(topic)); len(got) != 1 || got[0] != payload {
			t.Errorf("on %s came\n%s\nwant\n%s", topic, strings.Join(got, "\n"), payload)
		}
	}
	for _, msg := range s.Heard() {
		if msg.Qos() != 1 {
			t.Errorf("%s came with QoS %d", msg.Topic(), msg.Qos())
		}
	}

	// Whoever subscribes later hears what is retained, and nothing else.
	late := subscribe(t, address, "edge")
	eventually(t, "retained messages", func() bool {
		return len(late.On("gapward/Kestrel-Quay/gateway")) > 0 && len(late.On(mainTopic+"/forecast")) > 0 && len(late.On(mainTopic+"/state")) > 0
	})
	if len(late.Heard()) != 3 {
		t.Errorf("retained: %v", late.Heard())
	}
	stop()
	eventually(t, "the goodbye", func() bool {
		return slices.Equal(slices.Compact(s.On("gapward/Kestrel-Quay/gateway")), []string{"online", "offline"})
	})
	if err := m.Deliver(expired(t), rows); err == nil {
		t.Error("delivered after the connection was closed")
	}
}

func expired(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	t.Cleanup(cancel)
	return ctx
}

// TestMQTTWithoutAcknowledgement has a broker that takes messages and doesn't
// acknowledge them, then breaks the connection: nothing counts as delivered.
func TestMQTTWithoutAcknowledgement(t *testing.T) {
	server, d, address, _ := startMochi(t, "127.0.0.1:0")
	m, _ := startMQTT(t, address)
	db := openStore(t)
	if err := Flush(t.Context(), db, m, testLog(t), ignore); err != nil { // from here on there is no history
		t.Fatal(err)
	}
	commit(t, db, batch(0, 30))
	d.mu.Lock()
	d.deaf = true
	d.mu.Unlock()
	result := make(chan error)
	go func() { result <- Flush(t.Context(), db, m, testLog(t), ignore) }()
	eventually(t, "the messages are under way, and their fate is open", func() bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		return d.taken == 30
	})
	for _, c := range server.Clients.GetAll() {
		c.Stop(packets.ErrServerUnavailable)
	}
	if err := <-result; err == nil {
		t.Fatal("messages that nobody acknowledged count as delivered")
	}
	if id, err := db.Cursor(t.Context(), "mqtt/cycles"); err != nil || id != 0 {
		t.Errorf("the cursor is at %d (%v)", id, err)
	}
	d.mu.Lock()
	d.deaf = false
	d.mu.Unlock()
	s := subscribe(t, address, "edge")
	if err := Flush(t.Context(), db, m, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all cycles", func() bool { return len(s.cycles(t)) == 30 })
}

// TestMQTTBrokerThatForgot wants a broker that comes back empty to be told all
// that is retained, without anything new happening.
func TestMQTTBrokerThatForgot(t *testing.T) {
	_, _, address, stopBroker := startMochi(t, "127.0.0.1:0")
	db := openStore(t)
	commit(t, db, batch(0, 4))
	m, _ := startMQTT(t, address)
	if err := m.Restore(t.Context(), db); err != nil {
		t.Fatal(err)
	}
	if err := Flush(t.Context(), db, m, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	stopBroker()
	startMochi(t, address)
	s := subscribe(t, address, "edge")
	eventually(t, "state, forecast and presence on the new broker", func() bool {
		return len(s.On(mainTopic+"/state")) > 0 && len(s.On(mainTopic+"/forecast")) > 0 && slices.Contains(s.On("gapward/Kestrel-Quay/gateway"), "online")
	})
	if err := m.Deliver(t.Context(), Rows{Cycles: []store.CycleRow{cycleAt(mainBrake, 9)}}); err != nil {
		t.Error(err)
	}
}

func TestMQTTWrongPassword(t *testing.T) {
	_, _, address, _ := startMochi(t, "127.0.0.1:0")
	m, err := NewMQTT(MQTTSettings{URL: "mqtt://" + address, User: "edge"}, site, nil, testLog(t))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- m.Run(ctx) }()
	eventually(t, "the reason is known", func() bool {
		err := m.Deliver(expired(t), Rows{Cycles: []store.CycleRow{cycleAt(mainBrake, 0)}})
		return err != nil && strings.Contains(strings.ToLower(err.Error()), "authori")
	})
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestTopics(t *testing.T) {
	for _, c := range []struct {
		site   string
		brakes []string
		want   string // of the error, empty for none
	}{
		{"Kestrel Quay", []string{"quay-2/main", "quay 2/main east", "bräke"}, ""},
		{"a/b", []string{"x"}, ""},
		{"", nil, "site: an empty name"},
		{"x", []string{"a+b"}, "+ or #"},
		{"x", []string{"a#"}, "+ or #"},
		{"x", []string{"/a"}, "empty level"},
		{"x", []string{"a//b"}, "empty level"},
		{"x", []string{"a\nb"}, "characters that no MQTT topic may have"},
		{"$SYS", nil, "broker's own"},
		{"x", []string{"gateway"}, "gateway itself"},
		{"x", []string{"a b", "a-b"}, `"a b" and "a-b" would share the topic gapward/x/a-b`},
	} {
		err := Settings{MQTT: &MQTTSettings{URL: "mqtt://127.0.0.1:1883"}}.Validate(c.site, c.brakes)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("site %q, brakes %q: %v, want %q", c.site, c.brakes, err, c.want)
		}
	}
}

func TestSettingsThatAreWrong(t *testing.T) {
	for _, c := range []struct {
		s    Settings
		want string
	}{
		{Settings{Influx: &InfluxSettings{Bucket: "b"}}, "export.influx.url: is missing; it looks like http://host:port"},
		{Settings{Influx: &InfluxSettings{URL: "http://h:1"}}, "export.influx.bucket: is missing"},
		{Settings{Influx: &InfluxSettings{URL: "influx:8086", Bucket: "b"}}, `export.influx.url: "influx:8086" is no address`},
		{Settings{Influx: &InfluxSettings{URL: "http://me:pw@h:1", Bucket: "b"}}, "would show in logs"},
		{Settings{MQTT: &MQTTSettings{URL: "http://h:1"}}, "export.mqtt.url"},
		{Settings{MQTT: &MQTTSettings{URL: "mqtts://h:1", PasswordFile: "p"}}, "export.mqtt.user: is missing"},
		{Settings{MQTT: &MQTTSettings{URL: "mqtts://h:1", Prefix: "a/#"}}, "prefix"},
	} {
		if err := c.s.Validate(site, []string{mainBrake}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.s, err, c.want)
		}
	}
	if err := (Settings{Prometheus: &PrometheusSettings{}}).Validate(site, []string{"any + name"}); err != nil {
		t.Errorf("without MQTT: %v", err)
	}
}

// TestRealMosquitto stops the broker and starts it again, over and over, while
// cycles are committed: by turns in order, when it saves what it has
// acknowledged, and by SIGKILL, when it may forget that. Every cycle must be
// published at least once, with its own id and time, and the cursor must end at
// the last.
func TestRealMosquitto(t *testing.T) {
	broker := exporttest.NewMosquitto(t)
	broker.Start(t)
	address := broker.Address

	db := openStore(t)
	m, stopMQTT := startMQTT(t, address)
	s := subscribe(t, address, "")
	ctx, stop := context.WithCancel(t.Context())
	delivered := make(chan error)
	if err := Flush(t.Context(), db, m, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	go func() { delivered <- Run(ctx, db, m, quiet(), ignore) }()

	const rounds, perRound = 4, 150
	i := 0
	forgotten := map[int64]bool{} // the broker may have, through no fault of ours
	for round := range rounds {
		for range perRound {
			commit(t, db, &store.Batch{Cycles: []store.CycleRow{cycleAt(mainBrake, i)}, Verdicts: []store.VerdictRow{verdictOf(mainBrake, i)}})
			if i++; i%perRound == perRound/2 {
				// In the middle of the stream.
				stopping := syscall.SIGTERM
				if round%2 == 1 {
					stopping = syscall.SIGKILL
					for id := i - perRound/2 + 1; id <= i; id++ {
						forgotten[int64(id)] = true
					}
				}
				broker.End(stopping)
			}
		}
		broker.Start(t)
		eventually(t, fmt.Sprintf("the cursor reaches %d in round %d", i, round), func() bool {
			id, err := db.Cursor(t.Context(), "mqtt/cycles")
			return err == nil && id == int64(i)
		})
	}
	eventually(t, "every cycle is heard", func() bool {
		heard := s.cycles(t)
		for id := int64(1); id <= int64(i); id++ {
			if _, ok := heard[id]; !ok && !forgotten[id] {
				return false
			}
		}
		return true
	})
	for id, at := range s.cycles(t) {
		want := time.Unix(0, cycleAt(mainBrake, int(id)-1).AtNS).UTC().Format(time.RFC3339Nano)
		if at != want {
			t.Errorf("cycle %d came with the time %s, want %s", id, at, want)
		}
	}
	// Each as it is in the store, however often it came.
	rows, err := db.CyclesAfter(t.Context(), 0, 2*rounds*perRound)
	if err != nil || len(rows) != rounds*perRound {
		t.Fatal(len(rows), err)
	}
	for _, payload := range s.On(mainTopic + "/cycle") {
		var c struct{ ID int64 }
		if err := json.Unmarshal([]byte(payload), &c); err != nil {
			t.Fatal(err)
		}
		if want := string(withID(rows[c.ID-1].AppendJSON(nil, mainBrake), c.ID)); payload != want {
			t.Errorf("cycle %d came as\n%s\nwant\n%s", c.ID, payload, want)
		}
	}
	stop()
	if err := <-delivered; err != nil {
		t.Error(err)
	}
	// The retained state is the newest, not one that was sent again late.
	late := subscribe(t, address, "")
	eventually(t, "the retained state", func() bool { return len(late.On(mainTopic+"/state")) > 0 })
	if got := late.On(mainTopic + "/state"); !strings.Contains(got[0], fmt.Sprintf(`"full":%d,`, i-1)) {
		t.Errorf("the retained state is %s, want that of verdict %d", got, i-1)
	}
	stopMQTT()
	eventually(t, "the goodbye", func() bool { return len(late.On("gapward/Kestrel-Quay/gateway")) == 2 })
	if got := late.On("gapward/Kestrel-Quay/gateway"); !slices.Equal(got, []string{"online", "offline"}) {
		t.Errorf("presence: %q", got)
	}
}

// TestRealMosquittoLastWill wants the broker to tell of a gateway that vanished.
func TestRealMosquittoLastWill(t *testing.T) {
	broker := exporttest.NewMosquitto(t)
	broker.Start(t)
	address := broker.Address
	// A relay stands between, to be cut.
	relay, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	cut := make(chan net.Conn, 1)
	go func() {
		near, err := relay.Accept()
		if err != nil {
			return
		}
		_ = relay.Close() // one connection, and no way back
		far, err := net.Dial("tcp", address)
		if err != nil {
			t.Error(err)
			return
		}
		cut <- far
		go func() { _, _ = far.(*net.TCPConn).ReadFrom(near) }()
		_, _ = near.(*net.TCPConn).ReadFrom(far)
	}()
	s := subscribe(t, address, "")
	startMQTT(t, relay.Addr().String())
	presence := func() []string { return s.On("gapward/Kestrel-Quay/gateway") }
	eventually(t, "online", func() bool { return slices.Equal(presence(), []string{"online"}) })
	_ = (<-cut).Close()
	eventually(t, "the last will", func() bool { return slices.Equal(presence(), []string{"online", "offline"}) })
}

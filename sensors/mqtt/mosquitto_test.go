package mqtt

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"gapward/sensors"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// mosquitto is the real broker, with a user called edge, who may read and
// write quay/#, and one called rig, who may write all.
type mosquitto struct {
	t       *testing.T
	dir     string
	address string
	cmd     *exec.Cmd
	papers  *papers // of TLS; nil where there is none
}

func startMosquitto(t *testing.T) *mosquitto { return startMosquittoWith(t, nil) }

// startMosquittoWith has the broker speak TLS, and ask for certificates, where
// there are papers.
func startMosquittoWith(t *testing.T, p *papers) *mosquitto {
	t.Helper()
	for _, program := range []string{"mosquitto", "mosquitto_passwd"} {
		if _, err := exec.LookPath(program); err != nil {
			if os.Getenv("GAPWARD_REAL") == "1" {
				t.Fatalf("GAPWARD_REAL=1 wants %s: %v", program, err)
			}
			t.Skipf("%s is not installed: %v", program, err)
		}
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{t: t, dir: t.TempDir(), address: free.Addr().String(), papers: p}
	free.Close()
	_, port, err := net.SplitHostPort(m.address)
	if err != nil {
		t.Fatal(err)
	}
	m.write("passwd", "")
	for _, user := range []string{"edge", "rig"} {
		if out, err := exec.Command("mosquitto_passwd", "-b", m.path("passwd"), user, "pw-"+user).CombinedOutput(); err != nil {
			t.Fatalf("making the password of %s: %v\n%s", user, err, out)
		}
	}
	m.write("acl", "user edge\ntopic readwrite quay/#\nuser rig\ntopic readwrite #\n")
	conf := "per_listener_settings false\n"
	if os.Getuid() == 0 {
		conf += "user root\n" // else it gives up root and can't read its files
	}
	conf += fmt.Sprintf("persistence false\nmax_queued_messages 0\nmax_inflight_messages 0\nallow_anonymous false\npassword_file %s\nacl_file %s\nlistener %s 127.0.0.1\n",
		m.path("passwd"), m.path("acl"), port)
	if p != nil {
		conf += fmt.Sprintf("cafile %s\ncertfile %s\nkeyfile %s\nrequire_certificate true\n", p.ca, p.cert("broker"), p.key("broker"))
	}
	m.write("mosquitto.conf", conf)
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) path(name string) string { return filepath.Join(m.dir, name) }

func (m *mosquitto) write(name, text string) {
	if err := os.WriteFile(m.path(name), []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
}

func (m *mosquitto) start() {
	m.cmd = exec.Command("mosquitto", "-c", m.path("mosquitto.conf"))
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	deadline := time.Now().Add(10 * time.Second)
	for {
		conn, err := net.DialTimeout("tcp", m.address, time.Second)
		if err == nil {
			conn.Close()
			return
		}
		if time.Now().After(deadline) {
			m.t.Fatalf("mosquitto doesn't listen: %v", err)
		}
		time.Sleep(20 * time.Millisecond) // a process has no other way to say that it listens
	}
}

// kill ends the broker without a chance to say farewell.
func (m *mosquitto) kill() {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Kill()
	_ = m.cmd.Wait() // it says that it was killed
	m.cmd = nil
}

// rig connects a publisher.
func (m *mosquitto) rig() paho.Client {
	m.t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + m.address).SetClientID("rig").SetUsername("rig").SetPassword("pw-rig").SetProtocolVersion(4).SetAutoReconnect(false)
	if m.papers != nil {
		secure, err := sensors.Device{CAFile: m.papers.ca, CertFile: m.papers.cert("rig"), KeyFile: m.papers.key("rig")}.TLS("broker.kestrel-quay.example")
		if err != nil {
			m.t.Fatal(err)
		}
		o.AddBroker("tls://" + m.address).SetTLSConfig(secure)
		o.Servers = o.Servers[1:]
	}
	c := paho.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		m.t.Fatalf("the publisher can't connect: %v", token.Error())
	}
	m.t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func (m *mosquitto) publish(c paho.Client, topic, payload string, retain bool) {
	m.t.Helper()
	if token := c.Publish(topic, 1, retain, payload); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		m.t.Fatalf("publishing on %s: %v", topic, token.Error())
	}
}

// awaitSubscribed waits until the broker has granted all topics: the
// watcher is then told of a request without an error and without samples.
func (r *running) awaitSubscribed() {
	r.t.Helper()
	deadline := time.After(20 * time.Second)
	for {
		select {
		case p := <-r.polls:
			if p.Err == nil && p.Samples == 0 {
				return
			}
		case <-r.out:
		case <-deadline:
			r.t.Fatal("it didn't subscribe")
		}
	}
}

func (m *mosquitto) device(password string) sensors.Device {
	m.write("password", password+"\n")
	return sensors.Device{User: "edge", PasswordFile: m.path("password")}
}

func TestMosquittoValuesAndRestarts(t *testing.T) {
	m := startMosquitto(t)
	m.publish(m.rig(), "quay/drive", "1", true)
	r := runSource(t, m.address, m.device("pw-edge"), quayChannels(), Options{})
	for restart := range 3 {
		r.awaitSubscribed()
		rig := m.rig()
		want := float64(restart + 1)
		m.publish(rig, "quay/travel", fmt.Sprintf(`{"t":%s,"v":%v}`, unixText(time.Now().UnixNano()), want*100), false)
		r.await("good", goodValue(want))
		for _, s := range r.seen {
			if s.Signal == sensors.Drive && s.Quality == sensors.Good {
				t.Fatalf("the retained drive was taken for a reading: %+v", s)
			}
		}
		m.publish(rig, "quay/drive", "true", false)
		r.await("the fresh edge", func(s sensors.Sample) bool { return s.Signal == sensors.Drive && s.Brake == 0 && s.Value == 1 })
		r.seen = nil
		m.kill()
		r.await("without answer", withQuality(sensors.NoAnswer))
		m.start()
	}
	if c := r.source.Counts(); c.Retained != 1 || c.Refused != 0 || c.Overrun != 0 || c.Late != 0 {
		t.Errorf("counts are %+v, want one retained and nothing lost", c)
	}
	if n := r.log.count("connected to the broker"); n < 3 {
		t.Errorf("the log tells of %d connections, want at least 3", n)
	}
}

func TestMosquittoBadPassword(t *testing.T) {
	m := startMosquitto(t)
	r := runSource(t, m.address, m.device("wrong"), quayChannels(), Options{})
	r.awaitError("broker " + m.address + ` refuses user "edge" (not Authorized); check user and password_file`)
	r.await("without answer", withQuality(sensors.NoAnswer))
}

// Mosquitto grants a topic and then withholds it where its access rules come
// from a file. Nothing but silence tells of that.
func TestMosquittoWithheldTopicIsRemarkedUpon(t *testing.T) {
	m := startMosquitto(t)
	channels := quayChannels()
	channels[0].Wiring.Topic = "pit/travel"
	channels[0].Wiring.StaleAfter = time.Second
	r := runSource(t, m.address, m.device("pw-edge"), channels, Options{})
	r.awaitSubscribed()
	rig := m.rig()
	m.publish(rig, "pit/travel", "100", false)
	m.publish(rig, "quay/drive", "1", false)
	r.await("of the topic that may be read", goodValue(1))
	r.awaitError(`topic pit/travel: nothing has come since it was subscribed 1s ago; check that its sender runs, and that the broker's access rules let user "edge" read it`)
}

func TestMosquittoBurst(t *testing.T) {
	m := startMosquitto(t)
	r := runSource(t, m.address, m.device("pw-edge"), quayChannels(), Options{})
	r.awaitSubscribed()
	rig := m.rig()
	const burst = 2000
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	var last paho.Token
	for i := range burst {
		last = rig.Publish("quay/travel", 1, false, fmt.Sprintf(`{"t":%s,"v":%d}`, unixText(time.Now().UnixNano()), i%1000))
	}
	select {
	case <-last.Done():
	case <-ctx.Done():
		t.Fatal("the burst wasn't taken by the broker")
	}
	r.await("the last of the burst", func(s sensors.Sample) bool { return r.source.Counts().Received == burst && s.Value == 9.99 })
	if c := r.source.Counts(); c.Refused+c.Late+c.Backwards+c.Overrun != 0 {
		t.Errorf("counts are %+v, want nothing lost", c)
	}
	for i, s := range r.seen {
		if want := float64(i%1000) / 1000 * 10; s.Quality != sensors.Good || s.Value != want {
			t.Fatalf("sample %d is %+v, want %v", i, s, want)
		}
	}
}

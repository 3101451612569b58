package mqtt

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/sensors"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// secureDevice is edge, as a broker with papers wants it.
func (m *mosquitto) secureDevice() sensors.Device {
	d := m.device("pw-edge")
	d.CAFile, d.CertFile, d.KeyFile, d.ServerName = m.papers.ca, m.papers.cert("edge"), m.papers.key("edge"), "broker.kestrel-quay.example"
	return d
}

func TestMosquittoOverTLS(t *testing.T) {
	m := startMosquittoWith(t, newPapers(t))
	r := runSecure(t, m, m.secureDevice())
	r.awaitSubscribed()
	m.publish(m.rig(), "quay/travel", "700", false)
	r.await("good", goodValue(7))
}

// Each thing that isn't right is an error that says what, and silence is told.
func TestMosquittoOverTLSRefuses(t *testing.T) {
	m := startMosquittoWith(t, newPapers(t))
	others := newPapers(t)
	for _, c := range []struct {
		name  string
		spoil func(*sensors.Device)
		want  string
	}{
		{"an authority that nobody has named", func(d *sensors.Device) { d.CAFile = "" },
			"certificate signed by unknown authority; name the authority of its certificate in ca_file"},
		{"another authority", func(d *sensors.Device) { d.CAFile = others.ca }, "name the authority of its certificate in ca_file"},
		{"another name", func(d *sensors.Device) { d.ServerName = "" }, "in server_name where that isn't the address's host"},
		{"no certificate of ours", func(d *sensors.Device) { d.CertFile, d.KeyFile = "", "" }, "the broker wants a certificate of ours; name it in cert_file and key_file"},
		{"a certificate from elsewhere", func(d *sensors.Device) { d.CertFile, d.KeyFile = others.cert("edge"), others.key("edge") },
			"the broker doesn't take our certificate"},
		{"the wrong password", func(d *sensors.Device) { d.PasswordFile = m.path("wrong") }, `refuses user "edge" (not Authorized); check user and password_file`},
	} {
		t.Run(c.name, func(t *testing.T) {
			dev := m.secureDevice()
			m.write("wrong", "no\n")
			c.spoil(&dev)
			r := runSecure(t, m, dev)
			r.awaitError(c.want)
			r.await("without answer", withQuality(sensors.NoAnswer))
		})
	}
}

func TestPapersThatCannotBeRead(t *testing.T) {
	p := newPapers(t)
	empty := filepath.Join(t.TempDir(), "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		dev  sensors.Device
		want string
	}{
		{sensors.Device{CAFile: p.ca + "x"}, "device quay-io: reading ca_file: open "},
		{sensors.Device{CAFile: empty}, "device quay-io: ca_file " + empty + " holds no certificate in PEM form"},
		{sensors.Device{CertFile: p.cert("edge")}, "device quay-io: cert_file and key_file go together; one of them is missing"},
		{sensors.Device{CertFile: p.cert("edge"), KeyFile: p.key("rig")}, "device quay-io: reading cert_file "},
	} {
		c.dev.MQTT = "mqtts://127.0.0.1"
		if _, err := New("quay-io", c.dev, quayChannels(), nil, (&logText{}).logger(), Options{}); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %s", c.dev, err, c.want)
		}
	}
}

// TestMosquittoKilledUnderLoad kills and restarts a broker with TLS, passwords
// and access rules, while a device publishes two hundred readings a second and
// reconnects by itself. Each value says when it was made, so that one that is
// taken at another time, or twice, or lost without a trace, shows.
func TestMosquittoKilledUnderLoad(t *testing.T) {
	m := startMosquittoWith(t, newPapers(t))
	r := runSecure(t, m, m.secureDevice())
	r.awaitSubscribed()
	base := time.Now()
	load(t, m, func() (topic, payload string) {
		at := time.Now()
		return "quay/travel", fmt.Sprintf(`{"t":%s,"v":%d}`, unixText(at.UnixNano()), at.Sub(base).Milliseconds()%1000)
	})
	fresh := func(s sensors.Sample) bool { return s.Quality == sensors.Good && s.Signal == sensors.Travel }
	some := func() {
		t.Helper()
		n := 0
		r.awaitWithin(time.Minute, "the hundredth reading", func(s sensors.Sample) bool {
			if fresh(s) {
				n++
			}
			return n == 100
		})
	}
	for range 3 {
		some()
		m.kill()
		r.awaitWithin(time.Minute, "without answer", withQuality(sensors.NoAnswer))
		m.start()
	}
	some()

	lastNS, n := int64(0), 0
	for _, s := range r.seen {
		if !fresh(s) {
			if s.Quality == sensors.Bad {
				t.Fatalf("a reading is bad: %+v", s)
			}
			continue
		}
		n++
		made := float64(time.Duration(s.AtNS-base.UnixNano()).Milliseconds() % 1000)
		if d := s.Value*100 - made; d > 1.5 && d < 998.5 || d < -1.5 && d > -998.5 {
			t.Fatalf("%+v was made %v ms after a whole second", s, made)
		}
		if s.AtNS <= lastNS {
			t.Fatalf("a reading comes twice, or after a later one: %+v", s)
		}
		lastNS = s.AtNS
	}
	c := r.source.Counts()
	if got := int64(n) + c.Duplicates; n == 0 || c.Received < got || c.Received-got > int64(len(r.source.topics))*100 || c.Refused+c.Late+c.Overrun != 0 {
		t.Errorf("%d readings of %+v", n, c)
	}
	t.Logf("%d readings through three kills; %+v", n, c)
}

// runSecure starts a source whose broker has papers.
func runSecure(t *testing.T, m *mosquitto, dev sensors.Device) *running {
	t.Helper()
	return runSource(t, "mqtts://"+m.address, dev, quayChannels(), Options{})
}

// load has a device publish every five milliseconds until the test ends, on a
// connection that it makes anew whenever it is lost.
func load(t *testing.T, m *mosquitto, next func() (topic, payload string)) {
	t.Helper()
	secure, err := sensors.Device{CAFile: m.papers.ca, CertFile: m.papers.cert("rig"), KeyFile: m.papers.key("rig")}.TLS("broker.kestrel-quay.example")
	if err != nil {
		t.Fatal(err)
	}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tls://" + m.address).SetTLSConfig(secure).SetClientID("load").
		SetUsername("rig").SetPassword("pw-rig").SetProtocolVersion(4).
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).SetMaxReconnectInterval(200 * time.Millisecond))
	client.Connect()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			if client.IsConnectionOpen() {
				topic, payload := next()
				client.Publish(topic, 0, false, payload) // what is lost on the way is lost, as over radio
			}
		}
	})
	t.Cleanup(func() { cancel(); running.Wait(); client.Disconnect(100) })
}

package notify

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/simulator/field"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// lock lets in who knows the password.
type lock struct{ mochi.HookBase }

func (lock) ID() string { return "lock" }
func (lock) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (lock) OnConnectAuthenticate(_ *mochi.Client, p packets.Packet) bool {
	return string(p.Connect.Username) == "edge" && string(p.Connect.Password) == "s3cret"
}
func (lock) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// startMochi runs a broker inside the test.
func startMochi(t *testing.T) (address string) {
	t.Helper()
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := server.AddHook(&lock{}, nil); err != nil {
		t.Fatal(err)
	}
	l := field.NewListener("127.0.0.1:0")
	if err := server.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Close() })
	return l.Address()
}

// listen hears what is published to a topic.
func listen(t *testing.T, address, user, password, topic string) <-chan []byte {
	t.Helper()
	heard := make(chan []byte, 16)
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID("listener").SetUsername(user).SetPassword(password))
	for _, wait := range []func() paho.Token{client.Connect, func() paho.Token {
		return client.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) { heard <- m.Payload() })
	}} {
		if token := wait(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	t.Cleanup(func() { client.Disconnect(0) })
	return heard
}

func expectNotices(t *testing.T, heard <-chan []byte, ids ...int64) {
	t.Helper()
	for _, id := range ids {
		select {
		case body := <-heard:
			var got struct {
				ID                            int64
				Key, Message, Site, Link      string
				FirstStep                     string `json:"first_step"`
				Brake, Condition, State, Unit string
				Cautions                      []string
			}
			if err := json.Unmarshal(body, &got); err != nil {
				t.Fatalf("%v in %s", err, body)
			}
			want := exampleNotice(id, alerts.Raised)
			if got.ID != id || got.Key != want.Key() || got.Message != alerts.Message(want.Event) || got.FirstStep == "" || len(got.Cautions) != len(alerts.Cautions()) || got.Link != want.Link {
				t.Errorf("heard %s", body)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("notice %d was not heard", id)
		}
	}
}

func TestNoticesByMQTT(t *testing.T) {
	address := startMochi(t)
	heard := listen(t, address, "edge", "s3cret", "quay/notices")
	n, err := New(Settings{MQTT: &MQTTSettings{URL: "mqtt://" + address, Topic: "quay/notices", User: "edge", PasswordFile: secretFile(t, "s3cret\n")}})
	if err != nil {
		t.Fatal(err)
	}
	if err := n.Notify(t.Context(), nil); err != nil {
		t.Error(err)
	}
	if err := n.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised), exampleNotice(8, alerts.Raised)}); err != nil {
		t.Fatal(err)
	}
	expectNotices(t, heard, 7, 8)
	if n.Name() != "mqtt "+address+" quay/notices" {
		t.Errorf("its name is %q", n.Name())
	}
}

// What can be put right by a person is never given up.
func TestMQTTFailuresAreTriedAgain(t *testing.T) {
	dead, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_ = dead.Close()
	for what, address := range map[string]string{"a wrong password": startMochi(t), "no broker": dead.Addr().String()} {
		m, err := NewMQTT(MQTTSettings{URL: "mqtt://" + address, Topic: "a", User: "edge", PasswordFile: secretFile(t, "wrong")})
		if err != nil {
			t.Fatal(err)
		}
		err = m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
		var e *Error
		if !errors.As(err, &e) || e.NoticeID != 7 || e.Permanent || strings.Contains(err.Error(), "wrong") && what == "no broker" {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// A broker that isn't ours.
func TestNoticesByMosquitto(t *testing.T) {
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto"
		_, err = os.Stat(program)
	}
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatal("GAPWARD_REAL=1, but there is no mosquitto on this machine")
		}
		t.Skip("there is no mosquitto on this machine")
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := free.Addr().String()
	_ = free.Close()
	_, port, _ := net.SplitHostPort(address)
	config := filepath.Join(t.TempDir(), "m.conf")
	if err := os.WriteFile(config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, program, "-c", config)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(); _ = cmd.Wait() })
	for i := 0; ; i++ {
		if c, err := net.Dial("tcp", address); err == nil {
			_ = c.Close()
			break
		} else if i > 500 {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond)
	}
	heard := listen(t, address, "", "", "quay/notices")
	m, err := NewMQTT(MQTTSettings{URL: "mqtt://" + address, Topic: "quay/notices"})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)}); err != nil {
		t.Fatal(err)
	}
	expectNotices(t, heard, 7)
}

// A broker that begins a packet of 256 MB isn't given room for it.
func TestAHugePacketFromTheBrokerCostsLittle(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		b := make([]byte, 1000)
		if _, err := c.Read(b); err != nil { // CONNECT
			return
		}
		c.Write([]byte{0x20, 2, 0, 0, 0x30, 0xFF, 0xFF, 0xFF, 0x7F, 0, 1, 'a'})
		for err == nil {
			_, err = c.Read(b)
		}
	}()
	m, err := NewMQTT(MQTTSettings{URL: "mqtt://" + l.Addr().String(), Topic: "alarms"})
	if err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	err = m.Notify(t.Context(), []Notice{{ID: 1}})
	runtime.ReadMemStats(&after)
	var failed *Error
	if !errors.As(err, &failed) || failed.Permanent {
		t.Errorf("told as if all were well: %v", err)
	}
	if made := (after.TotalAlloc - before.TotalAlloc) >> 20; made > 100 {
		t.Errorf("%d MB were made room for", made)
	}
}

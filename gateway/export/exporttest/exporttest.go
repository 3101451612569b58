// Package exporttest starts the real far ends that exports are tested against,
// and asks them what they have.
package exporttest

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Program is the path of a real program, by its name or where else it may be. A
// test without it is skipped, and fails where GAPWARD_REAL asks for all of them.
func Program(t *testing.T, name string, elsewhere ...string) string {
	t.Helper()
	for _, n := range append([]string{name}, elsewhere...) {
		if path, err := exec.LookPath(n); err == nil {
			return path
		}
	}
	if os.Getenv("GAPWARD_REAL") == "1" {
		t.Fatalf("GAPWARD_REAL=1, but %s is not installed", name)
	}
	t.Skipf("%s is not installed; the test needs the real program", name)
	return ""
}

// FreeAddresses are addresses of loopback that nobody listens on, nor connects from
// meanwhile: their ports are below those that systems give to outgoing connections.
// So who is down for a while finds them free again.
func FreeAddresses(t *testing.T, n int) (list []string) {
	t.Helper()
	for tries := 0; len(list) < n; tries++ {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 20000+rand.IntN(12000)))
		if err != nil {
			if tries == 100 {
				t.Fatal(err)
			}
			continue
		}
		defer func() { _ = l.Close() }() // all are open at the same time, so all differ
		list = append(list, l.Addr().String())
	}
	return list
}

// until waits until ok.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// Influx is a real InfluxDB 1.8, to be killed and started again.
type Influx struct {
	Address         string // host:port
	program, config string
	cmd             *exec.Cmd
}

// NewInflux starts one, without a database.
func NewInflux(t *testing.T) *Influx {
	t.Helper()
	home, _ := os.UserHomeDir() // without one it is on the path, or isn't there
	x := &Influx{program: Program(t, "influxd", filepath.Join(os.Getenv("GOPATH"), "bin", "influxd"), filepath.Join(home, "go", "bin", "influxd"))}
	dir, free := t.TempDir(), FreeAddresses(t, 2)
	x.config, x.Address = filepath.Join(dir, "influxdb.conf"), free[0]
	text := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\n[http]\nbind-address = %q\nlog-enabled = false\n[monitor]\nstore-enabled = false\n[logging]\nlevel = \"error\"\n",
		free[1], filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), x.Address)
	if err := os.WriteFile(x.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	x.Start(t)
	t.Cleanup(x.Kill)
	return x
}

// Start starts it again.
func (x *Influx) Start(t *testing.T) {
	t.Helper()
	x.cmd = exec.Command(x.program, "-config", x.config)
	x.cmd.Stdout, x.cmd.Stderr = t.Output(), t.Output()
	if err := x.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "influxd answers", func() bool {
		resp, err := http.Get("http://" + x.Address + "/ping")
		if err == nil {
			_ = resp.Body.Close()
		}
		return err == nil
	})
}

// Kill ends it by SIGKILL, where it runs.
func (x *Influx) Kill() {
	if x.cmd == nil {
		return
	}
	_ = x.cmd.Process.Kill()
	_ = x.cmd.Wait() // it says that it was killed
	x.cmd = nil
}

// Signal sends it a signal, where it runs: one that stops it, or has it go on.
func (x *Influx) Signal(s os.Signal) {
	if x.cmd != nil {
		_ = x.cmd.Process.Signal(s)
	}
}

// Ask puts an InfluxQL statement to it, for the database named hoists, and
// returns the rows by their columns. Numbers are [json.Number].
func (x *Influx) Ask(t *testing.T, method, statement string) (rows []map[string]any) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, "http://"+x.Address+"/query?epoch=ns&db=hoists&q="+url.QueryEscape(statement), nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	var answer struct {
		Results []struct {
			Error  string
			Series []struct {
				Columns []string
				Values  [][]any
			}
		}
	}
	decoder := json.NewDecoder(resp.Body)
	decoder.UseNumber()
	if err := decoder.Decode(&answer); err != nil || len(answer.Results) != 1 || answer.Results[0].Error != "" {
		t.Fatalf("%s: %v %+v", statement, err, answer)
	}
	for _, s := range answer.Results[0].Series {
		for _, values := range s.Values {
			row := map[string]any{}
			for i, c := range s.Columns {
				row[c] = values[i]
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// Listener hears all under a filter of topics, in a session that outlasts the
// broker's absences.
type Listener struct {
	Client paho.Client
	mu     sync.Mutex
	heard  []paho.Message
}

// Listen subscribes with QoS 1, as a user with the password "secret", and
// returns when the broker has confirmed it.
func Listen(t *testing.T, address, user, filter string) *Listener {
	t.Helper()
	l := &Listener{}
	ready := make(chan struct{}, 1)
	options := paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID(fmt.Sprintf("listener-%d", time.Now().UnixNano())).
		SetUsername(user).SetPassword("secret").SetProtocolVersion(4).SetCleanSession(false).SetMaxReconnectInterval(200 * time.Millisecond).
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.heard = append(l.heard, m)
		}).
		SetOnConnectHandler(func(c paho.Client) {
			if token := c.Subscribe(filter, 1, nil); token.Wait() && token.Error() == nil {
				select {
				case ready <- struct{}{}:
				default: // it was before
				}
			}
		})
	l.Client = paho.NewClient(options)
	l.Client.Connect()
	select {
	case <-ready:
	case <-time.After(30 * time.Second):
		t.Fatal("the listener didn't get to subscribe")
	}
	t.Cleanup(func() { l.Client.Disconnect(0) })
	return l
}

// Heard is all that was heard so far, in order.
func (l *Listener) Heard() []paho.Message {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]paho.Message(nil), l.heard...)
}

// On are the payloads heard on a topic, in order.
func (l *Listener) On(topic string) (payloads []string) {
	for _, m := range l.Heard() {
		if m.Topic() == topic {
			payloads = append(payloads, string(m.Payload()))
		}
	}
	return payloads
}

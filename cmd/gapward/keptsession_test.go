package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// startMosquitto is a real broker that lets everybody in and holds nothing back.
func startMosquitto(t *testing.T) (address string) {
	t.Helper()
	if _, err := exec.LookPath("mosquitto"); err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("GAPWARD_REAL=1 wants mosquitto: %v", err)
		}
		t.Skipf("mosquitto is not installed: %v", err)
	}
	address = fmt.Sprintf("127.0.0.1:%d", freePort(t))
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := "allow_anonymous true\nmax_inflight_messages 0\nmax_queued_messages 0\nlistener " + port + " 127.0.0.1\n"
	if os.Getuid() == 0 {
		text = "user root\n" + text
	}
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("mosquitto", "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it says that it was killed
	})
	eventually(t, 10*time.Second, "mosquitto listens", func() bool {
		conn, err := net.Dial("tcp", address)
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
	return address
}

// telling is a brake that tells what it does, fifty times a second and with its
// own times, whether anybody listens or not.
type telling struct {
	mu  sync.Mutex
	ons []driveOn
}

// driveOn is when a drive went on: what it told before, and with it. On a machine
// with much to do more than a poll may lie between.
type driveOn struct{ off, on time.Time }

const (
	tellOn   = 1000 * time.Millisecond
	tellRest = 1400 * time.Millisecond
	tellGap  = 2.0 // mm
)

// tell publishes until the test ends.
func (b *telling) tell(t *testing.T, address, topic string) {
	t.Helper()
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID("brake").SetProtocolVersion(4))
	if token := client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("the brake can't connect: %v", token.Error())
	}
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		began, on := time.Now(), false
		now := began
		for n := 0; ; n++ {
			before := now
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				now = time.Now()
			}
			in := now.Sub(began) % (tellOn + tellRest)
			if is := in >= tellRest; is != on {
				if on = is; on {
					b.mu.Lock()
					b.ons = append(b.ons, driveOn{off: before, on: now})
					b.mu.Unlock()
				}
			}
			mm := 3 + 0.002*float64(n%3)
			switch { // 60 ms after drive-on it rises for 80 ms, and falls likewise
			case in >= tellRest:
				mm += tellGap * min(max((in-tellRest-60*time.Millisecond).Seconds()/0.08, 0), 1)
			case n > 0:
				mm += tellGap * (1 - min(max((in-60*time.Millisecond).Seconds()/0.08, 0), 1))
			}
			client.Publish(topic, 1, false, fmt.Sprintf(`{"at":%q,"brake":[%.4f,%t]}`, now.UTC().Format(time.RFC3339Nano), mm, on))
		}
	})
	t.Cleanup(func() { cancel(); running.Wait(); client.Disconnect(100) })
}

func (b *telling) drivenOn() []driveOn {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]driveOn(nil), b.ons...)
}

// TestKilledWithAKeptSession kills the daemon while a brake goes on telling of
// itself. Everything that it told in the meantime is measured afterwards, and
// nothing twice: all that a kill may cost is the cycle that was under way.
func TestKilledWithAKeptSession(t *testing.T) {
	t.Parallel()
	address := startMosquitto(t)
	s := busySite{file: filepath.Join(t.TempDir(), "site.yaml"), data: filepath.Join(t.TempDir(), "data")}
	text := fmt.Sprintf(`
site: Test Quay
data: %s
page: {listen: "127.0.0.1:0"}
devices:
  hall: {mqtt: "mqtt://%s", client_id: gapward-test, keep_session: true}
brakes:
  - name: hall-1/hoist
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: hall, topic: hall/1, value: /brake/0, time: /at, poll: 20ms}
      drive: {device: hall, topic: hall/1, value: /brake/1, time: /at, poll: 20ms}
`, s.data, address)
	if err := os.WriteFile(s.file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	program := build(t)
	var brake telling
	brake.tell(t, address, "hall/1")

	const rounds = 3
	var killed, back []time.Time
	for range rounds {
		p := startProcess(t, nil, program, "run", "--config", s.file)
		url := p.err.find(t, 30*time.Second, `msg=running .*page=(http://[0-9.:]+)`)[1]
		begin := len(brake.drivenOn())
		back = append(back, time.Now())
		eventually(t, time.Minute, "cycles of the present", func() bool {
			var b board
			getJSON(t, url+"/api/brakes", &b)
			return len(brake.drivenOn()) >= begin+3 && len(b.Brakes) == 1 && b.Brakes[0].Cycles.Full > 0
		})
		if status := p.signal(t, syscall.SIGKILL); !status.Signaled() {
			t.Fatalf("it was not killed but ended with %v", p.cmd.ProcessState)
		}
		killed = append(killed, time.Now())
		gone := len(brake.drivenOn())
		eventually(t, time.Minute, "cycles with nobody there", func() bool { return len(brake.drivenOn()) >= gone+3 })
	}
	p := startProcess(t, nil, program, "run", "--config", s.file)
	p.err.find(t, 30*time.Second, `msg="what the broker had kept is in".* readings=[0-9]{2}`)
	back = append(back, time.Now())
	begin := len(brake.drivenOn())
	eventually(t, time.Minute, "cycles of the present", func() bool { return len(brake.drivenOn()) >= begin+2 })
	if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("it ended with %v", p.cmd.ProcessState)
	}

	ons := brake.drivenOn()
	measured := make([]int, len(ons))
	for _, line := range s.stored(t) {
		var c struct {
			Time time.Time
			Kind string
			Gap  *float64 `json:"gap_mm"`
		}
		if err := json.Unmarshal([]byte(line), &c); err != nil {
			t.Fatal(err)
		}
		at := -1
		const poll = 20 * time.Millisecond
		for i, o := range ons {
			if c.Time.After(o.off.Add(-2*poll)) && c.Time.Before(o.on.Add(3*poll)) {
				at = i
			}
		}
		if at < 0 {
			t.Errorf("this cycle never was: %s", line)
			continue
		}
		measured[at]++
		if c.Kind == "full" && (c.Gap == nil || *c.Gap < tellGap-0.02 || *c.Gap > tellGap+0.02) {
			t.Errorf("the gap is %g mm: %s", tellGap, line)
		}
	}
	meanwhile, lost := 0, 0
	for i, o := range ons[:len(ons)-1] {
		on := o.on
		if on.Before(back[0]) {
			continue // nobody had asked for anything to be kept yet
		}
		whole := on.Add(tellOn + tellRest) // when the next began, which closes it
		underWay := false
		for k := range killed {
			underWay = underWay || on.Before(killed[k]) && whole.After(killed[k].Add(-1500*time.Millisecond))
			if on.After(killed[k]) && whole.Before(back[k+1]) {
				meanwhile++
			}
		}
		switch {
		case measured[i] > 1:
			t.Errorf("the cycle of %v is stored %d times", on, measured[i])
		case measured[i] == 0 && underWay:
			lost++
		case measured[i] == 0:
			t.Errorf("the cycle of %v was told and isn't stored", on)
		}
	}
	if meanwhile < 2*rounds {
		t.Errorf("only %d cycles fell into the time when nobody was there", meanwhile)
	}
	t.Logf("%d kills: of %d cycles %d happened while nobody was there and were measured afterwards; %d were under way at a kill and are lost", rounds, len(ons), meanwhile, lost)
}

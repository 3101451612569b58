package field

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/sensors"
	"gapward/simulator"
)

// heard is one message as a subscriber has it.
type heard struct {
	topic string
	t     time.Time
	v     *float64
}

// listen subscribes to all topics of a broker.
func listen(t *testing.T, addr string) <-chan heard {
	t.Helper()
	messages := make(chan heard, 10000)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + addr).SetClientID(fmt.Sprint("listener-", time.Now().UnixNano())).SetProtocolVersion(4))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("connecting to the broker: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	tok := c.Subscribe("#", 1, func(_ paho.Client, m paho.Message) {
		if m.Topic()[0] == '$' {
			return
		}
		var p struct {
			T time.Time
			V *float64
		}
		if err := json.Unmarshal(m.Payload(), &p); err != nil {
			t.Errorf("%s carries %s: %v", m.Topic(), m.Payload(), err)
		}
		select {
		case messages <- heard{m.Topic(), p.T, p.V}:
		default:
		}
	})
	if !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("subscribing: %v", tok.Error())
	}
	return messages
}

// until passes over messages until one is as wanted.
func until(t *testing.T, messages <-chan heard, what string, wanted func(heard) bool) heard {
	t.Helper()
	end := time.After(10 * time.Second)
	for {
		select {
		case m := <-messages:
			if wanted(m) {
				return m
			}
		case <-end:
			t.Fatalf("no message that is %s", what)
		}
	}
}

func trolleySite(t *testing.T) (*Broker, map[string]sensors.Device, []sensors.Channel) {
	t.Helper()
	b, err := StartBroker("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	name := "quay-2/main"
	return b, map[string]sensors.Device{"trolley": {MQTT: "mqtt://" + b.Addr()}}, []sensors.Channel{
		{Name: name, Signal: sensors.Travel, Wiring: sensors.Wiring{Device: "trolley", Topic: "q/travel", Raw: []float64{4, 20}, MM: []float64{0, 10}, Poll: 10 * time.Millisecond}},
		{Name: name, Signal: sensors.Drive, Wiring: sensors.Wiring{Device: "trolley", Topic: "q/drive", AtLeastEvery: time.Hour}},
		{Name: name, Signal: sensors.Temperature, Wiring: sensors.Wiring{Device: "trolley", Topic: "q/temp", OnChange: 50, AtLeastEvery: 50 * time.Millisecond}},
	}
}

func TestMQTTPublishesThePlant(t *testing.T) {
	b, devices, channels := trolleySite(t)
	messages := listen(t, b.Addr())
	f, plant := stand(t, devices, channels, time.Now)
	if f.Addr("trolley") != b.Addr() {
		t.Errorf("the device is at %q", f.Addr("trolley"))
	}
	counts := make(map[string]int)
	var last time.Time
	until(t, messages, "the hundredth travel", func(m heard) bool {
		counts[m.topic]++
		if m.topic != "q/travel" {
			return false
		}
		if !m.t.After(last) || time.Since(m.t) > 5*time.Second {
			t.Errorf("travel of %v after that of %v", m.t, last)
		}
		last = m.t
		// The stamp is cut to microseconds, and the noise is one of
		// nanoseconds: what agrees is the level, to some of its widths.
		mm := (*m.v - 4) / 16 * 10
		if want := plant.Read(0, sensors.Travel, m.t.UnixNano()).Value; math.Abs(mm-want) > 0.05 {
			t.Errorf("travel is published as %.4f mm, it is %.4f", mm, want)
		}
		return counts[m.topic] == 100
	})
	if counts["q/temp"] < 2 {
		t.Errorf("the temperature is published %d times, it should be at least every 50 ms", counts["q/temp"])
	}
	if counts["q/drive"] < 1 || counts["q/drive"] > 20 {
		t.Errorf("the drive is published %d times, it should be on change only", counts["q/drive"])
	}
}

func TestMQTTFaults(t *testing.T) {
	b, devices, channels := trolleySite(t)
	messages := listen(t, b.Addr())
	f, _ := stand(t, devices, channels, time.Now)
	isTravel := func(m heard) bool { return m.topic == "q/travel" }
	until(t, messages, "a travel", isTravel)
	apply := func(ev simulator.Event) {
		t.Helper()
		ev.Brake = "quay-2/main"
		if err := f.Apply(ev); err != nil {
			t.Fatal(err)
		}
	}
	apply(simulator.Event{Fault: simulator.WireBreak})
	until(t, messages, "null", func(m heard) bool { return isTravel(m) && m.v == nil })
	apply(simulator.Event{Fault: simulator.WireBreak, Off: true})
	until(t, messages, "a number again", func(m heard) bool { return isTravel(m) && m.v != nil })

	apply(simulator.Event{Fault: simulator.ClockOff, Amount: 3600})
	m := until(t, messages, "stamped an hour ahead", func(m heard) bool { return isTravel(m) && time.Until(m.t) > 30*time.Minute })
	if d := time.Until(m.t) - time.Hour; d > 0 || d < -10*time.Second {
		t.Errorf("a clock an hour ahead stamps %v off that", d)
	}
	apply(simulator.Event{Fault: simulator.ClockOff, Off: true})
	apply(simulator.Event{Fault: simulator.SlowNetwork, Amount: 0.3})
	slowed := time.Now()
	m = until(t, messages, "made after the network slowed", func(m heard) bool { return isTravel(m) && m.t.After(slowed) })
	if d := time.Since(m.t); d < 300*time.Millisecond {
		t.Errorf("over a network slower by 300 ms a message took %v", d)
	}
	apply(simulator.Event{Fault: simulator.SlowNetwork, Off: true})
	apply(simulator.Event{Fault: simulator.DeviceSilent, Lasts: 400 * time.Millisecond})
	silenced := time.Now()
	m = until(t, messages, "made after the silence began", func(m heard) bool { return isTravel(m) && m.t.After(silenced.Add(time.Millisecond)) })
	if d := m.t.Sub(silenced); d < 399*time.Millisecond {
		t.Errorf("a device silent for 400 ms spoke after %v", d)
	}
}

func TestMQTTComesBackAfterTheBroker(t *testing.T) {
	b, devices, channels := trolleySite(t)
	stand(t, devices, channels, time.Now)
	until(t, listen(t, b.Addr()), "a travel", func(m heard) bool { return m.topic == "q/travel" })
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := StartBroker(b.Addr(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	until(t, listen(t, again.Addr()), "a travel after the broker's return", func(m heard) bool { return m.topic == "q/travel" })
}

func TestBrokerStaysOnLoopback(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", ":0", "192.0.2.1:1883"} {
		if b, err := StartBroker(addr, nil); err == nil {
			b.Close()
			t.Errorf("a broker without access control opened %s", addr)
		}
	}
	b, err := StartBroker("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if second, err := StartBroker(b.Addr(), nil); err == nil {
		second.Close()
		t.Error("two brokers share an address")
	}
}

func TestPayload(t *testing.T) {
	ns := time.Date(2026, 3, 2, 6, 0, 0, 120_000_000, time.UTC).UnixNano()
	const at = `"2026-03-02T06:00:00.120000Z"`
	for _, c := range []struct {
		raw  float64
		want string
	}{
		{12.5, "12.5"}, {0, "0"}, {1, "1"}, {-3.25, "-3.25"}, {1.0 / 3, "0.3333333"}, {1e6 / 3, "333333.3"}, {math.NaN(), "null"},
	} {
		var d document
		d.put("/t", timeSlot)
		d.put("/v", 0)
		if got, want := string(d.write(ns, []float64{c.raw})), `{"t":`+at+`,"v":`+c.want+`}`; got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
	for _, c := range []struct {
		places []string
		want   string
	}{
		{[]string{"/sensors/0/mm", "/sensors/2/on"}, `{"ts":` + at + `,"sensors":[{"mm":1},null,{"on":2}]}`},
		{[]string{"/a~1b/~0", "/a~1b/\"\\"}, `{"ts":` + at + `,"a/b":{"~":1,"\"\\":2}}`},
		{[]string{"/a/0", "/a/x"}, `{"ts":` + at + `,"a":{"0":1,"x":2}}`},
		{[]string{"/20261125/mm", "/"}, `{"ts":` + at + `,"20261125":{"mm":1},"":2}`},
		{[]string{"/a/00", "/b"}, `{"ts":` + at + `,"a":{"00":1},"b":2}`},
	} {
		var d document
		d.put("/ts", timeSlot)
		for i, p := range c.places {
			d.put(p, i)
			d.put("/ts", timeSlot) // every signal names it
		}
		if got := string(d.write(ns, []float64{1, 2})); got != c.want {
			t.Errorf("%q gives %s, want %s", c.places, got, c.want)
		}
	}
}

// A broker whose address has no port stands at that of the protocol, as for who
// reads from it.
func TestMQTTHasPortsOfItsOwn(t *testing.T) {
	for address, want := range map[string]string{"mqtt://hall.example": "hall.example:1883", "mqtts://hall.example": "hall.example:8883", "mqtt://[::1]": "[::1]:1883", "mqtt://hall.example:2883": "hall.example:2883"} {
		plant, err := simulator.NewPlant(nil, time.Now(), 1)
		if err != nil {
			t.Fatal(err)
		}
		f, err := New(Config{Devices: map[string]sensors.Device{"trolley": {MQTT: address}}, Plant: plant})
		if err != nil {
			t.Fatal(err)
		}
		if got := f.Addr("trolley"); got != want || f.publishers[0].opts.Servers[0].Host != want {
			t.Errorf("%s is sought at %s (%v), want %s", address, got, f.publishers[0].opts.Servers[0], want)
		}
	}
}

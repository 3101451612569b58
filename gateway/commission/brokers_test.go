package commission

import (
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/sensors"
	"gapward/sensors/mqtt"
	"gapward/simulator"
	"gapward/simulator/field"
)

// hall is a site whose devices are heard through a broker. The first reports
// changes, all signals of its brake in one payload; the second keeps a pace, on
// a topic for each signal; the third reports changes of contacts alone.
const hall = `
site: Test Hall
data: DATA
devices:
  hall: {mqtt: "mqtt://BROKER", client_id: gapward-hall, keep_session: true}
  yard: {mqtt: "mqtt://BROKER", user: yard}
  pit: {mqtt: "mqtt://BROKER", user: pit}
brakes:
  - name: hall-1/hoist
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 300ms, set: 300ms}
    signals:
      travel: {device: hall, topic: hall/1, value: /sensors/0/mm, time: /ts, on_change: 0.02, at_least_every: 2s, u_mm: 0.01}
      drive: {device: hall, topic: hall/1, value: /sensors/1/on, time: /ts, on_change: 1, at_least_every: 2s}
      released: {device: hall, topic: hall/1, value: /sensors/2/on, time: /ts, on_change: 1, at_least_every: 2s}
  - name: yard-1/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    timing: {release: 300ms, set: 300ms}
    signals:
      travel: {device: yard, topic: yard/1/travel, raw: [4, 20], mm: [0, 10], poll: 50ms, u_mm: 0.01}
      drive: {device: yard, topic: yard/1/drive, poll: 50ms}
      released: {device: yard, topic: yard/1/released, poll: 50ms}
  - name: pit-1/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    timing: {release: 300ms, set: 300ms}
    signals:
      drive: {device: pit, topic: pit/1/drive, on_change: 1, at_least_every: 1s}
      released: {device: pit, topic: pit/1/released, on_change: 1, at_least_every: 1s}
`

// standAtBroker has the devices of hall stand at a fresh broker, where an old
// message of a topic lies that nobody sends on any more.
func standAtBroker(t *testing.T, spoil func([]simulator.BrakeSpec), events ...simulator.Event) (text string) {
	t.Helper()
	b, err := field.StartBroker("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + b.Addr()).SetClientID("long-gone").SetProtocolVersion(4))
	if token := c.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	if token := c.Publish("yard/9/travel", 1, true, `{"v":12}`); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	c.Disconnect(100)
	text = strings.NewReplacer("BROKER", b.Addr(), "DATA", t.TempDir()).Replace(hall)
	standAs(t, text, spoil, events...)
	return text
}

// What is heard through brokers is proven, whole: what reports changes too.
func TestARightSiteAtABrokerIsProven(t *testing.T) {
	t.Parallel()
	site := told(t, standAtBroker(t, nil))
	opt := Options{By: "A. Fitter", Auto: 60 * time.Second, Gauge: map[string][][2]float64{
		"hall-1/hoist": {{42.1, 40.2}, {42.15, 40.2}, {42.1, 40.15}},
		"yard-1/hoist": {{41.2, 40.0}, {41.2, 40.05}, {41.2, 40.0}},
	}}
	r := begin(t, site, opt)(t)
	r = unhurried(t, r, nil, func() *Report { return begin(t, site, opt)(t) })
	if r.Verdict != Passed || r.Passed != 8 || r.Failed+r.Unproven != 0 {
		t.Errorf("the verdict is %q", r.Verdict)
	}
	if c := r.channel(t, "hall-1/hoist travel"); c.Where != "topic hall/1 at /sensors/0/mm" {
		t.Errorf("the travel is at %q", c.Where)
	}
}

const swapped = "drive and release switch are swapped"

func faultsAtBroker() []planted {
	const at = "device: hall, topic: hall/1, value: /sensors/"
	return []planted{
		{name: "wrong topic, wrong place, inverted switch",
			replace: []string{"topic: yard/1/travel", "topic: yard/1/Travel", at + "0/mm", at + "0/MM", "topic: pit/1/released,", "topic: pit/1/released, invert: true,"},
			want: map[string]string{"yard-1/hoist travel": "the device publishes nothing there, or under another topic",
				"hall-1/hoist travel": "wrong place or form in the payload, at topic hall/1 at /sensors/0/MM", "pit-1/hoist released": "inverted: it closes when the brake sets"}},
		{name: "retained only, silent device",
			replace: []string{"topic: yard/1/travel", "topic: yard/9/travel"},
			events:  []simulator.Event{{Brake: "pit-1/hoist", Fault: simulator.DeviceSilent}},
			want:    map[string]string{"yard-1/hoist travel": "retained only", "pit-1/hoist drive": "the device publishes nothing there", "pit-1/hoist released": "the device publishes nothing there"}},
		{name: "clock ahead, and one behind",
			events: []simulator.Event{{Brake: "hall-1/hoist", Fault: simulator.ClockOff, Amount: 5}, {Brake: "pit-1/hoist", Fault: simulator.ClockOff, Amount: -4}},
			want: map[string]string{"hall-1/hoist travel": "ahead of this machine's clock", "hall-1/hoist drive": "clock off: its time is", "hall-1/hoist released": "clock off: its time is",
				"pit-1/hoist drive": "behind this machine's clock", "pit-1/hoist released": "clock off: its time is"}},
		{name: "wrong sign",
			replace: []string{"raw: [4, 20], mm: [0, 10]", "raw: [4, 20], mm: [10, 0]"},
			want:    map[string]string{"yard-1/hoist travel": "wrong sign"}},
		{name: "swapped brakes",
			replace: []string{"topic: yard/1/drive, poll: 50ms", "topic: pit/9/drive, poll: 50ms", "device: pit, topic: pit/1/drive", "device: pit, topic: yard/1/drive", "topic: pit/9/drive, poll: 50ms", "topic: pit/1/drive, on_change: 1, at_least_every: 1s"},
			want: map[string]string{"yard-1/hoist drive": "the brake moves with what is wired as the drive of pit-1/hoist",
				// Without a travel nothing says which of the two contacts is another's.
				"pit-1/hoist released": "it goes its own way: another signal's address, or a loose switch"}},
		{name: "drives and switches swapped, of a device that keeps a pace and of those that report changes",
			replace: []string{"yard/1/drive", "yard/1/swap", "yard/1/released", "yard/1/drive", "yard/1/swap", "yard/1/released",
				"pit/1/drive", "pit/1/swap", "pit/1/released", "pit/1/drive", "pit/1/swap", "pit/1/released",
				"value: /sensors/1/on", "value: /sensors/9/on", "value: /sensors/2/on", "value: /sensors/1/on", "value: /sensors/9/on", "value: /sensors/2/on"},
			want: map[string]string{"yard-1/hoist drive": swapped, "yard-1/hoist released": swapped, "pit-1/hoist drive": swapped, "pit-1/hoist released": swapped,
				"hall-1/hoist drive": swapped, "hall-1/hoist released": swapped}},
		{name: "wrong scale, inverted drive",
			replace: []string{"raw: [4, 20], mm: [0, 10]", "raw: [4, 20], mm: [0, 100]", "value: /sensors/1/on, time: /ts,", "value: /sensors/1/on, time: /ts, invert: true,"},
			want:    map[string]string{"yard-1/hoist travel": "wrong scale: the travel is about 9", "hall-1/hoist drive": "inverted: 0 means on"}},
		{name: "scale wrong within the limits, frozen probe",
			replace: []string{"raw: [4, 20], mm: [0, 10]", "raw: [4, 20], mm: [0, 13]"},
			events:  []simulator.Event{{Brake: "hall-1/hoist", Fault: simulator.ProbeFrozen}},
			gauge:   map[string][][2]float64{"yard-1/hoist": {{41.2, 40.0}, {41.2, 40.05}, {41.2, 40.0}}},
			want: map[string]string{"yard-1/hoist travel": "wrong scale, by the factor 1.3",
				"hall-1/hoist travel": "the switch shows that the brake frees and the travel doesn't"}},
		{name: "noisy probe, broken wire",
			spoil:  func(specs []simulator.BrakeSpec) { specs[1].Params.NoiseUM = 120 },
			events: []simulator.Event{{Brake: "hall-1/hoist", Fault: simulator.WireBreak}},
			want:   map[string]string{"yard-1/hoist travel": "noisy probe", "hall-1/hoist travel": "its value is null: the device calls its own reading invalid"}},
		{name: "wrong span, slower than it says",
			replace: []string{"topic: yard/1/drive, poll: 50ms", "topic: yard/1/drive, poll: 10ms", "raw: [4, 20], mm: [0, 10]", "raw: [4, 7], mm: [0, 10]", "topic: pit/1/drive, on_change: 1, at_least_every: 1s", "topic: pit/1/drive, on_change: 1, at_least_every: 100ms"},
			want: map[string]string{"yard-1/hoist drive": "too slow: 10ms was asked for", "yard-1/hoist travel": "wrong scale, register, type or word order",
				"pit-1/hoist drive": "too slow: silent for longer than at_least_every, 100ms"}},
	}
}

// Each fault at a broker must be named, at the channel that has it, and nothing
// else may fail.
func TestPlantedFaultsAtABrokerAreNamed(t *testing.T) {
	t.Parallel()
	plant(t, faultsAtBroker(), func(t *testing.T, c planted) string { return standAtBroker(t, c.spoil, c.events...) })
}

// Commissioning beside a daemon must not throw it out, nor take what a broker
// keeps for it.
func TestCommissioningHasASessionOfItsOwn(t *testing.T) {
	site := map[string]sensors.Device{"hall": {ClientID: "gapward", KeepSession: true}, "yard": {}}
	own := ownSessions(site)
	if d := own["hall"]; d.ClientID != "gapward-commission" || d.KeepSession || own["yard"].ClientID != "" {
		t.Errorf("it connects as %+v", own)
	}
	if !site["hall"].KeepSession {
		t.Error("the site's own devices were changed")
	}
}

// A topic that the broker refuses is told at the channels that have it.
func TestARefusedTopicIsNamed(t *testing.T) {
	site := told(t, strings.NewReplacer("BROKER", "127.0.0.1:1", "DATA", t.TempDir()).Replace(hall))
	g := newGatherer(site.Channels())
	g.Polled("yard", sensors.Poll{Err: &mqtt.RefusedError{Topic: "yard/1/drive", Err: errRefused}})
	r := prove(site, g.evidence(), 2)
	if got := r.channel(t, "yard-1/hoist drive").looksLike(); !strings.Contains(got, "the broker refuses the topic: not you") {
		t.Errorf("the drive looks like %s", got)
	}
	if got := r.channel(t, "yard-1/hoist travel").looksLike(); strings.Contains(got, "refuses") {
		t.Errorf("the travel looks like %s", got)
	}
}

type refusal string

func (r refusal) Error() string { return string(r) }

const errRefused = refusal("not you")

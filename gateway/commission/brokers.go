package commission

import (
	"fmt"
	"maps"

	"gapward/sensors"
	"gapward/sensors/mqtt"
)

// trouble is why a channel's messages brought nothing, the latest of each kind.
type trouble struct {
	payload, clock, topic error
	fresh, retained       int64 // messages of its topic
}

// trouble keeps what an error says of single channels.
func (g *gatherer) trouble(device string, err error) {
	for _, e := range mqtt.Troubles[*mqtt.ReadingError](err) {
		i, ok := g.at[place{e.Channel.Brake, e.Channel.Signal}]
		if !ok {
			continue
		}
		if clock := mqtt.Troubles[*mqtt.ClockError](e.Err); len(clock) > 0 {
			g.e.troubles[i].clock = clock[0]
		} else {
			g.e.troubles[i].payload = e.Err
		}
	}
	for _, e := range mqtt.Troubles[*mqtt.RefusedError](err) {
		for i, c := range g.e.channels {
			if c.Wiring.Device == device && c.Wiring.Topic == e.Topic {
				g.e.troubles[i].topic = e
			}
		}
	}
}

// heard notes how many messages the topics of a broker have brought.
func (g *gatherer) heard(source sensors.Source) {
	broker, ok := source.(*mqtt.Source)
	if !ok {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	for i, c := range g.e.channels {
		if c.Wiring.Device == broker.Name() {
			g.e.troubles[i].fresh, g.e.troubles[i].retained = broker.Heard(c.Wiring.Topic)
		}
	}
}

// ownSessions are the devices as commissioning connects to them: beside the
// daemon, and not in its place. A broker has one client of a name and throws the
// other out, and a session that is kept for the daemon must not be emptied.
func ownSessions(devices map[string]sensors.Device) map[string]sensors.Device {
	own := maps.Clone(devices)
	for name, d := range own {
		if d.ClientID != "" {
			d.ClientID += "-commission"
		}
		d.KeepSession = false
		own[name] = d
	}
	return own
}

// heardNothing says why no value has come through a broker; ok is false where
// that isn't known.
func (v *view) heardNothing(t trouble, found string) (ok bool) {
	place := where(v.c.Wiring)
	switch {
	case v.c.Wiring.Topic == "":
		return false
	case t.topic != nil:
		v.report.fail("answers", found, "the broker refuses the topic: "+t.topic.Error(), "Let gapward's user read it in the broker's access rules.")
	case t.fresh == 0 && t.retained > 0:
		v.report.fail("answers", found, fmt.Sprintf("retained only: the broker holds an old message of %s, and nobody sends a new one", place),
			"Look whether the device is on and connected. An old message says nothing of now, and is never taken for a reading.")
	case t.clock != nil:
		v.report.fail("answers", found, "clock off: "+t.clock.Error(), setTheClock)
	case t.payload != nil:
		v.report.fail("answers", found, fmt.Sprintf("wrong place or form in the payload, at %s: %v", place, t.payload),
			"Compare value and time, letter by letter, with what the device publishes. A number, true or false must stand there.")
	default:
		return false
	}
	return true
}

const setTheClock = "Set the device's clock, best by NTP from the same source as this machine's. Where it has none that can be set, write time: arrival in the site file."

// disturbed says why some readings that came through a broker are bad.
func (v *view) disturbed(t trouble, found string) (ok bool) {
	switch {
	case v.c.Wiring.Topic == "":
		return false
	case t.clock != nil:
		v.report.fail("answers", found, "clock off, at times: "+t.clock.Error(), setTheClock)
	case t.payload != nil:
		v.report.fail("answers", found, "payloads that make no sense, at times: "+t.payload.Error(), "Look who else publishes under that topic, and for a probe at the end of its range.")
	default:
		return false
	}
	return true
}

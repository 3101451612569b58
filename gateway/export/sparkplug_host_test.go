package export

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"gapward/gateway/export/exporttest"
)

// spHost is a host application that hears a whole Sparkplug group.
type spHost struct {
	*exporttest.Listener
	schema protoreflect.MessageDescriptor
}

// spMessage is a message of it, read.
type spMessage struct {
	kind, device string // "DDATA", "quay-2-main"
	told
}

func listenAsHost(t *testing.T, address string) *spHost {
	t.Helper()
	return &spHost{exporttest.Listen(t, address, "edge", "spBv1.0/#"), sparkplugSchema(t)}
}

// messages are those of the node heard so far, in order, each held to what is
// true of every one.
func (h *spHost) messages(t *testing.T) (all []spMessage) {
	t.Helper()
	for _, m := range h.Heard() {
		levels := strings.Split(m.Topic(), "/")
		if levels[2] == "NCMD" || levels[1] == "STATE" {
			continue
		}
		if len(levels) < 4 || levels[0] != "spBv1.0" || levels[1] != "hoists" || levels[3] != "kestrel" {
			t.Fatalf("heard on %s", m.Topic())
		}
		msg := spMessage{kind: levels[2], told: readSparkplug(t, h.schema, m.Payload())}
		if len(levels) == 5 {
			msg.device = levels[4]
		}
		if strings.HasPrefix(msg.kind, "D") != (msg.device != "") {
			t.Errorf("%s has the wrong number of levels", m.Topic())
		}
		if want := byte(0); m.Retained() || msg.kind != "NDEATH" && m.Qos() != want {
			t.Errorf("%s came with QoS %d, retained %v", m.Topic(), m.Qos(), m.Retained())
		}
		if msg.hasSeq != (msg.kind != "NDEATH") {
			t.Errorf("%s has a sequence number: %v", m.Topic(), msg.hasSeq)
		}
		if d := time.Since(time.UnixMilli(msg.atMS)); d < -time.Minute || d > time.Hour {
			t.Errorf("%s was sent %v ago", m.Topic(), d)
		}
		all = append(all, msg)
	}
	return all
}

// follow checks a stream as a host must: births first, every metric born with
// the type that its data have, numbers without a hole.
func follow(t *testing.T, all []spMessage) {
	t.Helper()
	born := map[string]map[string]datatype{}
	next := -1
	for i, m := range all {
		if m.kind == "NDEATH" {
			born, next = map[string]map[string]datatype{}, -1
			continue
		}
		if m.kind == "NBIRTH" {
			born, next = map[string]map[string]datatype{}, 0
		}
		if m.seq != next {
			t.Fatalf("message %d, %s %s, has the number %d, want %d", i, m.kind, m.device, m.seq, next)
		}
		next = (next + 1) % 256
		switch m.kind {
		case "NBIRTH", "DBIRTH":
			born[m.device] = map[string]datatype{}
			for _, one := range m.metrics {
				if _, twice := born[m.device][one.name]; twice {
					t.Errorf("%s of %q has %s twice", m.kind, m.device, one.name)
				}
				if one.historical {
					t.Errorf("%s of %q calls %s historical", m.kind, m.device, one.name)
				}
				born[m.device][one.name] = one.kind
			}
		case "DDEATH":
			if born[m.device] == nil || len(m.metrics) > 0 {
				t.Errorf("message %d is the death of %q, which lives: %v, with %d metrics", i, m.device, born[m.device] != nil, len(m.metrics))
			}
			delete(born, m.device)
		case "NDATA", "DDATA":
			for _, one := range m.metrics {
				if kind, ok := born[m.device][one.name]; !ok || kind != one.kind {
					t.Errorf("%s of %q has %s of type %d, which was born (%v) with type %d", m.kind, m.device, one.name, one.kind, ok, kind)
				}
			}
		default:
			t.Errorf("there is no %s", m.kind)
		}
	}
}

// count is how many messages are of a kind.
func count(all []spMessage, kind string) (n int) {
	for _, m := range all {
		if m.kind == kind {
			n++
		}
	}
	return n
}

// readByOthers has all that was heard of the node read by a decoder that isn't
// ours, as it came over the broker.
func (h *spHost) readByOthers(t *testing.T) {
	t.Helper()
	if !strings.HasSuffix(t.Name(), "mosquitto") {
		return // the same payloads
	}
	var payloads [][]byte
	for _, m := range h.Heard() {
		if kind := strings.Split(m.Topic(), "/")[2]; kind != "NCMD" && !strings.Contains(m.Topic(), "/STATE/") {
			payloads = append(payloads, m.Payload())
		}
	}
	t.Logf("%d metrics of %d messages over mosquitto read alike", readByOthers(t, payloads), len(payloads))
}

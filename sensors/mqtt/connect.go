package mqtt

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"gapward/sensors/dial"
)

const (
	connectTimeout   = 5 * time.Second // for socket, TLS and the broker's welcome
	connectPause     = time.Second     // between attempts, as long as there was no connection yet
	writeTimeout     = 5 * time.Second
	pingTimeout      = 5 * time.Second
	subscribeTimeout = 5 * time.Second
	quiesceMS        = 250 // for the last packet of a connection
	subscribeQoS     = 1
	refusedTopic     = 0x80 // the return code of a refused subscription, MQTT 3.1.1 section 3.9.3
)

// arrival is a message as it came.
type arrival struct {
	topic   int // position in Source.topics
	payload []byte
	atNS    int64
	dialNS  int64 // when the connection was dialled on which it came
	dup     bool
	ack     func() // acknowledges it; nil where that has been done
}

// An event is what the connection tells the loop.
type event struct {
	kind  eventKind
	err   error
	codes map[string]byte // of a subscribe: the broker's answer for each topic
	asked []string        // of a subscribe: the topics
}

type eventKind uint8

const (
	eventConnected eventKind = iota
	eventLost
	eventFailed     // an attempt to connect
	eventSubscribed // the broker answered, or didn't
)

// connection is the paho client of one Run. It is never used a second time.
type connection struct {
	s        *Source
	client   paho.Client
	arrivals chan arrival
	events   chan event
	clock    *clock
	overrun  []overrun // for each topic
	unwanted chan string
	dialing  context.Context // ends when the last packet has gone out
	running  context.Context

	dialNS  atomic.Int64 // when the present connection was dialled
	pending pending      // messages that wait to be acknowledged
}

// dial begins to connect, and goes on until close. running is the context of
// Run.
func (s *Source) dial(running context.Context, clk *clock) (c *connection, closeIt func()) {
	dialing, stopDialing := context.WithCancel(context.WithoutCancel(running))
	c = &connection{
		s:        s,
		arrivals: make(chan arrival, s.opts.Queue),
		events:   make(chan event, 16),
		clock:    clk,
		overrun:  make([]overrun, len(s.topics)),
		unwanted: make(chan string, 1),
		dialing:  dialing,
		running:  running,
		pending:  pending{count: &s.counts.unconfirmed},
	}
	clientID := s.clientID
	if clientID == "" {
		clientID = newClientID(s.opts.Site, s.name)
	}
	o := paho.NewClientOptions()
	o.AddBroker(s.broker.String())
	o.SetClientID(clientID)
	o.SetUsername(s.user)
	o.SetPassword(s.password)
	o.SetProtocolVersion(4) // else each failed attempt is made a second time, as 3.1
	// A session that outlives the connection delivers the readings of an outage
	// all at once, at its end: it is kept only where all of them bear a time.
	o.SetCleanSession(!s.keep)
	o.SetAutoAckDisabled(s.keep)
	o.SetOrderMatters(true) // edges of a switch must not change places
	o.SetConnectRetry(true)
	o.SetConnectRetryInterval(min(connectPause, s.opts.MaxReconnect))
	o.SetAutoReconnect(true)
	o.SetMaxReconnectInterval(s.opts.MaxReconnect)
	o.SetConnectTimeout(connectTimeout)
	o.SetWriteTimeout(writeTimeout)
	o.SetKeepAlive(s.opts.KeepAlive)
	o.SetPingTimeout(min(pingTimeout, s.opts.KeepAlive))
	o.SetCustomOpenConnectionFn(c.open)
	o.SetDefaultPublishHandler(c.message)
	o.SetOnConnectHandler(func(paho.Client) {
		c.tell(event{kind: eventConnected})
		c.subscribe(s.topics)
	})
	o.SetConnectionLostHandler(func(_ paho.Client, err error) {
		c.tell(event{kind: eventLost, err: err})
	})
	o.SetConnectionNotificationHandler(func(_ paho.Client, n paho.ConnectionNotification) {
		if failed, ok := n.(paho.ConnectionNotificationFailed); ok {
			c.tell(event{kind: eventFailed, err: s.refusal(failed.Reason)})
		}
	})
	c.client = paho.NewClient(o)
	c.client.Connect() // goes on by itself; what becomes of it is told by the handlers
	acknowledging := make(chan struct{})
	go func() {
		defer close(acknowledging)
		c.pending.acknowledge(running, &s.confirmed)
	}()
	return c, func() {
		c.client.Disconnect(quiesceMS)
		stopDialing()
		<-acknowledging
	}
}

// open connects to the broker. The connection is closed at the latest when the
// dialing context ends, so that nothing waits for a broker that says nothing.
func (c *connection) open(*url.URL, paho.ClientOptions) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(c.dialing, connectTimeout)
	defer cancel()
	c.dialNS.Store(c.clock.nowNS())
	conn, err := dial.Broker(ctx, c.s.broker.Host, c.s.tls)
	if err == nil {
		context.AfterFunc(c.dialing, func() { _ = conn.Close() })
	}
	return conn, err
}

// tell hands an event to the loop, which is there until the context of Run
// ends.
func (c *connection) tell(e event) {
	select {
	case c.events <- e:
	case <-c.running.Done():
	}
}

// message takes a message from paho. It must not block, for paho could then
// neither acknowledge nor notice that the connection is gone; a message that
// finds the queue full is counted, and the loop marks the place.
func (c *connection) message(_ paho.Client, m paho.Message) {
	var ack func()
	if c.s.keep && m.Qos() > 0 {
		ack = m.Ack
	}
	counts := &c.s.counts
	topic, ok := c.s.topicOf[m.Topic()]
	switch {
	case !ok:
		counts.unwanted.Add(1)
		select {
		case c.unwanted <- m.Topic():
		default:
		}
	case m.Retained():
		counts.received.Add(1)
		counts.retained.Add(1)
		c.s.heard[topic].retained.Add(1)
	default:
		counts.received.Add(1)
		c.s.heard[topic].fresh.Add(1)
		select {
		case c.arrivals <- arrival{topic: topic, payload: short(m.Payload()), atNS: c.clock.nowNS(), dialNS: c.dialNS.Load(), dup: m.Duplicate(), ack: ack}:
			return // the loop sees to the acknowledgement
		default:
			counts.overrun.Add(1)
			c.overrun[topic].add()
		}
	}
	c.pending.add(ack, math.MinInt64)
}

// short cuts a payload that is too long to be looked at, so that many of them
// take no room while they wait.
func short(payload []byte) []byte {
	if len(payload) <= maxPayload {
		return payload
	}
	return slices.Clone(payload[:maxPayload+1])
}

// subscribe asks for topics and tells the loop what the broker says. It waits
// for the answer.
func (c *connection) subscribe(topics []string) {
	filters := make(map[string]byte, len(topics))
	for _, t := range topics {
		filters[t] = subscribeQoS
	}
	// Without a handler of their own the messages come to the default one.
	token := c.client.SubscribeMultiple(filters, nil)
	timeout := time.NewTimer(subscribeTimeout)
	defer timeout.Stop()
	e := event{kind: eventSubscribed, asked: topics}
	select {
	case <-token.Done():
		if e.err = token.Error(); e.err == nil {
			// A token may also end without an answer, when the connection
			// does; topics are then missing here.
			e.codes = token.(*paho.SubscribeToken).Result()
		}
	case <-timeout.C:
		e.err = fmt.Errorf("the broker didn't answer within %v", subscribeTimeout)
	case <-c.running.Done():
		return
	}
	c.tell(e)
}

// refusal adds to the reason of a failed attempt what to do about it.
func (s *Source) refusal(reason error) error {
	switch {
	case errors.Is(reason, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(reason, packets.ErrorRefusedNotAuthorised):
		if s.user == "" {
			return fmt.Errorf("broker %s refuses a client without a user (%w); give user and password_file", s.broker.Host, reason)
		}
		return fmt.Errorf("broker %s refuses user %q (%w); check user and password_file", s.broker.Host, s.user, reason)
	case s.tls != nil && len(s.tls.Certificates) == 0 && alerted(reason, alertWanted):
		return fmt.Errorf("connecting to broker %s: the broker wants a certificate of ours; name it in cert_file and key_file: %w", s.broker.Host, reason)
	case s.tls != nil && alerted(reason, alertWanted, alertBad, alertRevoked, alertExpired, alertUnknown, alertAuthority, alertSignature):
		return fmt.Errorf("connecting to broker %s: the broker doesn't take our certificate; it must be one of an authority that the broker trusts, and not expired: %w", s.broker.Host, reason)
	case s.tls != nil && unproven(reason):
		return fmt.Errorf("connecting to broker %s: %w; name the authority of its certificate in ca_file, and its name in server_name where that isn't the address's host", s.broker.Host, reason)
	case errors.Is(reason, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("broker %s refuses the client id (%w); set client_id to one that it allows", s.broker.Host, reason)
	}
	return fmt.Errorf("connecting to broker %s: %w", s.broker.Host, reason)
}

// The alerts by which a broker says what it thinks of our certificate: RFC 8446,
// section 6.
const (
	alertBad       = tls.AlertError(42)
	alertRevoked   = tls.AlertError(44)
	alertExpired   = tls.AlertError(45)
	alertUnknown   = tls.AlertError(46)
	alertAuthority = tls.AlertError(48)
	alertSignature = tls.AlertError(51)
	alertWanted    = tls.AlertError(116) // none was shown: also where ours is of no authority that the broker named
)

// alerted reports whether the other side ended TLS with one of some alerts. The
// client hands on nothing but the alert's text, which crypto/tls gives.
func alerted(reason error, alerts ...tls.AlertError) bool {
	return slices.ContainsFunc(alerts, func(a tls.AlertError) bool { return strings.Contains(reason.Error(), "remote error: "+a.Error()) })
}

// unproven reports whether the other side's certificate proves nothing.
func unproven(reason error) bool {
	var failed *tls.CertificateVerificationError
	return errors.As(reason, &failed)
}

// newClientID makes a client id from the names of site and device. Its last
// part is new every time: of two clients with one id the broker throws out the
// first, over and over where a check runs beside the daemon.
func newClientID(site, device string) string {
	plain := func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			return r
		}
		return '-'
	}
	var random [4]byte
	rand.Read(random[:]) // never fails, see crypto/rand
	parts := []string{"gapward"}
	for _, p := range []string{strings.Map(plain, site), strings.Map(plain, device)} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(append(parts, hex.EncodeToString(random[:])), "-")
}

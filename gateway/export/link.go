package export

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/sensors/dial"
)

// Times of the connection to a broker.
const (
	mqttConnectLimit = 10 * time.Second
	mqttWriteLimit   = 5 * time.Second
	mqttKeepAlive    = 15 * time.Second
	mqttFirstWait    = 500 * time.Millisecond // after a lost connection …
	mqttLongestWait  = 30 * time.Second       // … doubling up to this
	mqttGoodbye      = 2 * time.Second        // for the last message at the end …
	mqttFlush        = 250 * time.Millisecond // … and for it to be on its way
)

// window is how many messages are under way before the first is confirmed.
const window = 64

// broker is where to connect to, and as whom.
type broker struct{ url, user, password, clientID string }

func newBroker(key, url, user, passwordFile, clientID string) (broker, error) {
	password, err := readSecret(key, passwordFile)
	if err != nil {
		return broker{}, err
	}
	if clientID == "" {
		clientID = "gapward-" + rand.Text()[:10] // two clients of one id would throw each other out for ever
	}
	return broker{url, user, password, clientID}, nil
}

// session is one connection, with a client of its own. A client that reconnects
// by itself reports messages as delivered that no broker has acknowledged, and
// sends old ones again after newer ones; one that ends with its connection does
// neither.
type session struct {
	client paho.Client
	lost   chan struct{} // closed when the connection is over
	once   sync.Once
}

// connect makes a connection with a last will, of QoS 1.
func (b broker) connect(ctx context.Context, willTopic string, will []byte, retained bool) (*session, error) {
	s := &session{lost: make(chan struct{})}
	options := paho.NewClientOptions().
		AddBroker(b.url).
		SetClientID(b.clientID).
		SetUsername(b.user).SetPassword(b.password).
		SetProtocolVersion(4). // else every failure is tried again as 3.1
		SetCleanSession(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetConnectTimeout(mqttConnectLimit).SetWriteTimeout(mqttWriteLimit).
		SetKeepAlive(mqttKeepAlive).SetPingTimeout(mqttConnectLimit).
		SetBinaryWill(willTopic, will, 1, retained).
		SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) { return open(ctx, u) }).
		SetConnectionLostHandler(func(paho.Client, error) { s.end() })
	s.client = paho.NewClient(options)
	if err := s.wait(ctx, s.client.Connect()); err != nil {
		s.leave(0)
		return nil, fmt.Errorf("connecting to %s: %w", b.url, err)
	}
	return s, nil
}

// open connects to a broker, whose packets can't be of any length.
func open(ctx context.Context, u *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, mqttConnectLimit)
	defer cancel()
	var secure *tls.Config
	if u.Scheme == "mqtts" {
		secure = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	return dial.Broker(ctx, u.Host, secure)
}

func (s *session) end() { s.once.Do(func() { close(s.lost) }) }

func (s *session) over() <-chan struct{} { return s.lost }

// leave ends the connection in order, after some time for what is under way.
func (s *session) leave(after time.Duration) {
	s.client.Disconnect(uint(after.Milliseconds()))
	s.end()
}

// publish sends messages in order, a window of them at a time. With QoS 1 it
// returns nil when the broker has acknowledged them all, with QoS 0 when they
// are written to the connection.
func (s *session) publish(ctx context.Context, qos byte, messages []message) error {
	for len(messages) > 0 {
		part := messages[:min(window, len(messages))]
		messages = messages[len(part):]
		tokens := make([]paho.Token, len(part))
		for i, msg := range part {
			tokens[i] = s.client.Publish(msg.topic, qos, msg.retained, msg.payload)
		}
		for _, t := range tokens {
			if err := s.wait(ctx, t); err != nil {
				return err
			}
		}
	}
	return nil
}

// wait waits until the broker has answered.
func (s *session) wait(ctx context.Context, t paho.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-s.lost:
		return errors.New("the connection was lost before the broker acknowledged")
	case <-ctx.Done():
		return fmt.Errorf("the broker did not acknowledge: %w", ctx.Err())
	}
}

// connection is what a link keeps up.
type connection interface {
	over() <-chan struct{} // closed when the connection is
	leave(after time.Duration)
}

// link keeps up a connection to a broker, one after the other.
type link[C connection] struct {
	url     string
	lg      *slog.Logger
	connect func(context.Context) (C, error) // all that must be told first included
	goodbye func(C)

	mu    sync.Mutex
	live  *C            // nil while there is no connection
	moved chan struct{} // closed when live changes
	last  error         // why there is no connection
}

func newLink[C connection](url string, lg *slog.Logger, connect func(context.Context) (C, error), goodbye func(C)) *link[C] {
	return &link[C]{url: url, lg: lg, connect: connect, goodbye: goodbye, moved: make(chan struct{}), last: errors.New("not connected yet")}
}

// run holds a connection until ctx ends; then it says goodbye and returns nil.
func (l *link[C]) run(ctx context.Context) error {
	wait := mqttFirstWait
	var told string
	for ctx.Err() == nil {
		c, err := l.connect(ctx)
		if err != nil {
			l.set(nil, err)
			if err.Error() != told && ctx.Err() == nil {
				told = err.Error()
				l.lg.Warn("no connection to the broker; trying on", "error", err)
			}
		} else {
			l.lg.Info("connected to the broker", "broker", l.url)
			l.set(&c, nil)
			began := time.Now()
			select {
			case <-c.over():
			case <-ctx.Done():
				l.goodbye(c)
				l.set(nil, errors.New("stopped"))
				return nil
			}
			c.leave(0)
			told = ""
			l.set(nil, errors.New("the connection to the broker was lost"))
			l.lg.Warn("the connection to the broker was lost", "broker", l.url, "after", time.Since(began).Round(time.Second))
			if time.Since(began) > mqttLongestWait {
				wait = mqttFirstWait
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, mqttLongestWait)
	}
	return nil
}

// set says which connection there is.
func (l *link[C]) set(c *C, why error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.live, l.last = c, why
	close(l.moved)
	l.moved = make(chan struct{})
}

// note says what a connection that is being made waits for.
func (l *link[C]) note(why error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.last = why
}

// session gives the connection. Without one it waits for one until ctx ends.
func (l *link[C]) session(ctx context.Context) (c C, err error) {
	for {
		l.mu.Lock()
		live, moved, last := l.live, l.moved, l.last
		l.mu.Unlock()
		if live != nil {
			return *live, nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return c, fmt.Errorf("no connection to %s: %w", l.url, last)
		}
	}
}

package notify

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/sensors/dial"
)

// mqttTimeout is for connecting, and again for each message to be acknowledged.
const mqttTimeout = 10 * time.Second

// MQTT publishes each notice to a topic, in the shape of a [Webhook]'s body,
// with QoS 1 and not retained. It connects when there is something to tell: a
// notice is rare, and a connection of its own has nothing of an earlier one
// left in it.
type MQTT struct {
	settings MQTTSettings
	url      *url.URL
	password string
	tls      *tls.Config
}

// NewMQTT reads the password's file and that of the authority. No broker is
// sought yet.
func NewMQTT(s MQTTSettings) (*MQTT, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	u, err := url.Parse(s.URL)
	if err != nil {
		return nil, fmt.Errorf("mqtt: reading its url: %w", withoutURL(err))
	}
	m := &MQTT{settings: s, url: u}
	if u.Scheme == "mqtts" {
		m.tls = &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	}
	if s.PasswordFile != "" {
		if m.password, err = readSecret(s.PasswordFile); err != nil {
			return nil, fmt.Errorf("mqtt: reading its password: %w", err)
		}
	}
	if s.CAFile != "" {
		pem, err := os.ReadFile(s.CAFile)
		if err != nil {
			return nil, fmt.Errorf("mqtt: reading ca_file: %w", err)
		}
		m.tls.RootCAs = x509.NewCertPool()
		if !m.tls.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("mqtt: ca_file %s holds no certificate in PEM form", s.CAFile)
		}
	}
	return m, nil
}

// Name is the broker and the topic.
func (m *MQTT) Name() string { return "mqtt " + m.url.Host + " " + m.settings.Topic }

// Notify publishes the notices over one connection and waits for the broker to
// acknowledge each.
func (m *MQTT) Notify(ctx context.Context, notices []Notice) error {
	if len(notices) == 0 {
		return nil
	}
	lost := make(chan struct{})
	options := paho.NewClientOptions().
		AddBroker(m.url.String()).
		SetClientID("gapward-notices-" + rand.Text()[:10]). // two of one id would throw each other out
		SetUsername(m.settings.User).SetPassword(m.password).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return m.open(ctx) }).
		SetProtocolVersion(4). // else every failure is tried again as 3.1
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetConnectTimeout(mqttTimeout).SetWriteTimeout(mqttTimeout).
		SetConnectionLostHandler(func(paho.Client, error) { close(lost) })
	client := paho.NewClient(options)
	defer client.Disconnect(100)
	if err := answered(ctx, client.Connect(), lost); err != nil {
		return m.failed(notices[0], false, fmt.Errorf("connecting: %w", err))
	}
	for _, n := range notices {
		body, err := noticeBody(n)
		if err != nil {
			return m.failed(n, true, err)
		}
		if err := answered(ctx, client.Publish(m.settings.Topic, 1, false, body), lost); err != nil {
			return m.failed(n, false, err)
		}
	}
	return nil
}

// open connects to the broker, whose packets can't be of any length.
func (m *MQTT) open(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, mqttTimeout)
	defer cancel()
	return dial.Broker(ctx, m.url.Host, m.tls)
}

// answered waits until the broker has answered.
func answered(ctx context.Context, t paho.Token, lost <-chan struct{}) error {
	timer := time.NewTimer(mqttTimeout)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-lost:
		return errors.New("the connection was lost before the broker acknowledged")
	case <-timer.C:
		return fmt.Errorf("the broker did not acknowledge within %v", mqttTimeout)
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (m *MQTT) failed(n Notice, permanent bool, err error) error {
	return &Error{Sink: m.Name(), NoticeID: n.ID, Permanent: permanent, Err: err}
}

package notify

import (
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Settings are one way in which people are told. Exactly one of the ways is set.
type Settings struct {
	Webhook *WebhookSettings `yaml:"webhook"`
	Mail    *MailSettings    `yaml:"mail"`
	MQTT    *MQTTSettings    `yaml:"mqtt"`

	// Escalation: this is a second address, told only of what the first have
	// not acknowledged in time.
	Escalation bool `yaml:"escalation"`
}

// MQTTSettings are those of an [MQTT].
type MQTTSettings struct {
	URL          string `yaml:"url"`           // mqtt://host:port, or mqtts:// for TLS
	Topic        string `yaml:"topic"`         // each notice is published to it
	User         string `yaml:"user"`          // empty: without
	PasswordFile string `yaml:"password_file"` // file with the password
	CAFile       string `yaml:"ca_file"`       // PEM file of the authority that signed the broker's certificate; empty: those that this machine trusts
}

// WebhookSettings are those of a [Webhook].
type WebhookSettings struct {
	URL        string `yaml:"url"`         // http or https; each alarm is posted to it
	SecretFile string `yaml:"secret_file"` // file with the secret that bodies are signed with; empty: unsigned
}

// MailSettings are those of a [Mail].
type MailSettings struct {
	SMTP         string   `yaml:"smtp"`          // host, host:port, or smtps://host:port for TLS from the start
	To           []string `yaml:"to"`            // each gets a mail of their own
	From         string   `yaml:"from"`          // empty means gapward@ and this machine's name
	User         string   `yaml:"user"`          // SMTP user name; empty: without
	PasswordFile string   `yaml:"password_file"` // file with the password
	TLS          string   `yaml:"tls"`           // required, offered (used if the server offers it) or none; empty: required, and offered for a server on this machine
}

// Validate says what is wrong with the settings. It looks at no file and no
// server.
func (s Settings) Validate() error {
	ways := 0
	for _, set := range []bool{s.Webhook != nil, s.Mail != nil, s.MQTT != nil} {
		if set {
			ways++
		}
	}
	switch {
	case ways > 1:
		return errors.New("a notifier has more than one of webhook, mail and mqtt; write each as an entry of notify of its own")
	case s.Webhook != nil:
		return s.Webhook.Validate()
	case s.Mail != nil:
		return s.Mail.Validate()
	case s.MQTT != nil:
		return s.MQTT.Validate()
	}
	return errors.New("a notifier has none of webhook, mail and mqtt")
}

// Validate says what is wrong with the settings.
func (s MQTTSettings) Validate() error {
	u, err := url.Parse(s.URL)
	switch {
	case err != nil:
		return fmt.Errorf("mqtt: reading its url: %w", withoutURL(err))
	case s.URL == "":
		return errors.New("mqtt: it has no url")
	case u.Scheme != "mqtt" && u.Scheme != "mqtts", u.Port() == "", u.Hostname() == "":
		return fmt.Errorf("mqtt: its url %q must begin with mqtt:// or mqtts:// and have a host and a port", shownURL(u))
	case u.User != nil:
		return errors.New("mqtt: its url holds a user or a password; write user and password_file")
	case s.Topic == "" || len(s.Topic) > 65535:
		return errors.New("mqtt: it has no topic")
	case strings.ContainsAny(s.Topic, "+#\x00") || strings.HasPrefix(s.Topic, "$") || !utf8.ValidString(s.Topic):
		return fmt.Errorf("mqtt: nothing can be published to the topic %q; leave out + and #, and $ at its beginning", s.Topic)
	case (s.User == "") != (s.PasswordFile == ""):
		return errors.New("mqtt: user and password_file go together; give both or neither")
	case s.CAFile != "" && u.Scheme != "mqtts":
		return errors.New("mqtt: ca_file means nothing without TLS; write mqtts:// in the url, or take it out")
	}
	return nil
}

// Validate says what is wrong with the settings.
func (s WebhookSettings) Validate() error {
	u, err := url.Parse(s.URL)
	switch {
	case err != nil:
		return fmt.Errorf("webhook: reading its url: %w", withoutURL(err))
	case s.URL == "":
		return errors.New("webhook: it has no url")
	case u.Scheme != "http" && u.Scheme != "https", u.Hostname() == "":
		return fmt.Errorf("webhook: its url %q must begin with http:// or https:// and a host", shownURL(u))
	case u.User != nil:
		return errors.New("webhook: its url holds a user or a password; bodies are signed by secret_file instead")
	}
	return nil
}

// Validate says what is wrong with the settings.
func (s MailSettings) Validate() error {
	if _, err := s.server(); err != nil {
		return err
	}
	if len(s.To) == 0 {
		return errors.New("mail: it has nobody in to")
	}
	for _, to := range s.To {
		if _, err := mail.ParseAddress(to); err != nil {
			return fmt.Errorf("mail: %q in to is no mail address: %w", to, err)
		}
	}
	if s.From != "" {
		if _, err := mail.ParseAddress(s.From); err != nil {
			return fmt.Errorf("mail: from %q is no mail address: %w", s.From, err)
		}
	}
	if (s.User == "") != (s.PasswordFile == "") {
		return errors.New("mail: user and password_file go together; give both or neither")
	}
	return nil
}

// mailServer is where mail is handed in.
type mailServer struct {
	host, port string
	fromStart  bool // TLS before the first word
	policy     string
}

const (
	tlsRequired = "required"
	tlsOffered  = "offered"
	tlsNone     = "none"
)

func (s MailSettings) server() (mailServer, error) {
	address, fromStart := strings.CutPrefix(s.SMTP, "smtps://")
	if !fromStart {
		address = strings.TrimPrefix(address, "smtp://")
	}
	m := mailServer{fromStart: fromStart, port: "587", policy: s.TLS}
	if fromStart {
		m.port = "465"
	}
	m.host = strings.Trim(address, "[]")
	if host, port, err := net.SplitHostPort(address); err == nil {
		m.host, m.port = host, port
	} else if strings.Contains(address, ":") && net.ParseIP(m.host) == nil {
		return mailServer{}, fmt.Errorf("mail: smtp %q must be host, host:port or smtps://host:port", s.SMTP)
	}
	if port, err := strconv.ParseUint(m.port, 10, 16); err != nil || port == 0 || m.host == "" || strings.ContainsAny(m.host, "/@ ") {
		return mailServer{}, fmt.Errorf("mail: smtp %q must be host, host:port or smtps://host:port", s.SMTP)
	}
	switch s.TLS {
	case tlsRequired, tlsOffered, tlsNone:
	case "":
		m.policy = tlsRequired
		if loopback(m.host) {
			m.policy = tlsOffered
		}
	default:
		return mailServer{}, fmt.Errorf("mail: tls %q must be %s, %s or %s", s.TLS, tlsRequired, tlsOffered, tlsNone)
	}
	if fromStart && s.TLS != "" && s.TLS != tlsRequired {
		return mailServer{}, fmt.Errorf("mail: tls %q contradicts smtps://, which is TLS from the start", s.TLS)
	}
	return m, nil
}

// loopback reports whether a host is this machine itself.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"gapward/alerts"

	gomail "github.com/wneessen/go-mail"
)

// mailTimeout is for connecting, and again for each mail.
const mailTimeout = 15 * time.Second

// Mail hands each notice to a mail server, one mail for each recipient, so
// that one address that is refused doesn't keep the mail from the others.
//
// All mails about one incident, from an alarm's beginning to its end, refer to
// the same thread; the Message-ID is made from [Notice.Key], by which a mail sent twice can be
// told.
type Mail struct {
	settings MailSettings
	server   mailServer
	from     string
	password string
	tls      *tls.Config

	// Who has had the notice that failed last: it will be tried again, and
	// they needn't have it twice.
	pending string // the notice's key
	have    map[string]bool
}

// NewMail reads the password's file. No mail server is sought yet.
func NewMail(s MailSettings) (*Mail, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	server, err := s.server()
	if err != nil {
		return nil, err
	}
	m := &Mail{
		settings: s,
		server:   server,
		from:     s.From,
		tls:      &tls.Config{MinVersion: tls.VersionTLS12, ServerName: server.host},
		have:     map[string]bool{},
	}
	if m.from == "" {
		host, err := os.Hostname()
		if err != nil || host == "" {
			return nil, errors.New("mail: this machine has no name to send mail from; set from")
		}
		m.from = "gapward@" + host
	}
	if s.PasswordFile != "" {
		if m.password, err = readSecret(s.PasswordFile); err != nil {
			return nil, fmt.Errorf("mail: reading its password: %w", err)
		}
	}
	return m, nil
}

// Name is the mail server's address.
func (m *Mail) Name() string { return "mail " + net.JoinHostPort(m.server.host, m.server.port) }

// Notify sends the notices over one connection.
func (m *Mail) Notify(ctx context.Context, notices []Notice) error {
	if len(notices) == 0 {
		return nil
	}
	client, hangUp, err := m.dial(ctx)
	if err != nil {
		// Never for good, not even for a wrong password: that is no fault of
		// the notice, and is put right by a person.
		return m.failed(notices[0], false, fmt.Errorf("connecting: %w", err))
	}
	defer hangUp()
	for _, n := range notices {
		if err := m.send(ctx, client, n); err != nil {
			return err
		}
	}
	return nil
}

// dial connects to the mail server. The connection is closed when ctx ends,
// for the client heeds it only while it connects.
func (m *Mail) dial(ctx context.Context) (client *gomail.Client, hangUp func(), err error) {
	stop := func() bool { return true }
	var conn net.Conn
	open := func(ctxDial context.Context, _, _ string) (net.Conn, error) {
		var err error
		address := net.JoinHostPort(m.server.host, m.server.port)
		if m.server.fromStart {
			conn, err = (&tls.Dialer{Config: m.tls}).DialContext(ctxDial, "tcp", address)
		} else {
			conn, err = (&net.Dialer{}).DialContext(ctxDial, "tcp", address)
		}
		if err != nil {
			return nil, err
		}
		stop = context.AfterFunc(ctx, func() { _ = conn.Close() })
		return conn, nil
	}
	port, err := strconv.Atoi(m.server.port)
	if err != nil {
		return nil, nil, fmt.Errorf("port %q is no number", m.server.port)
	}
	options := []gomail.Option{
		gomail.WithPort(port),
		gomail.WithTimeout(mailTimeout),
		gomail.WithDialContextFunc(open),
		gomail.WithTLSConfig(m.tls),
		gomail.WithTLSPolicy(map[string]gomail.TLSPolicy{
			tlsRequired: gomail.TLSMandatory, tlsOffered: gomail.TLSOpportunistic, tlsNone: gomail.NoTLS,
		}[m.server.policy]),
	}
	if m.server.fromStart {
		options = append(options, gomail.WithSSL())
	}
	if m.settings.User != "" {
		// PLAIN and LOGIN refuse by themselves to tell a password to a server
		// that is neither encrypted nor on this machine.
		options = append(options, gomail.WithUsername(m.settings.User), gomail.WithPassword(m.password),
			gomail.WithOpportunisticSMTPAuth(gomail.SMTPAuthSCRAMSHA256, gomail.SMTPAuthPlain, gomail.SMTPAuthLogin))
	}
	client, err = gomail.NewClient(m.server.host, options...)
	if err != nil {
		return nil, nil, err
	}
	if err := client.DialWithContext(ctx); err != nil {
		stop()
		if conn != nil {
			_ = conn.Close() // the client leaves it open when the server's first words are wrong
		}
		return nil, nil, err
	}
	return client, func() {
		_ = client.Close() // the mails are delivered or not; a farewell that fails changes nothing
		stop()
		_ = conn.Close()
	}, nil
}

// send gives one notice to every recipient who hasn't had it. Where some are
// refused for good and the rest is served, the error is permanent; where a
// later try may serve somebody, it isn't.
func (m *Mail) send(ctx context.Context, client *gomail.Client, n Notice) error {
	if key := n.Key(); m.pending != key {
		m.pending = key
		clear(m.have)
	}
	var refused error
	hopeless := true
	for _, to := range m.settings.To {
		if m.have[to] {
			continue
		}
		message, err := m.message(n, to)
		if err == nil {
			err = client.Send(message)
		}
		if err != nil && (message == nil || !message.IsDelivered()) {
			if ctx.Err() != nil {
				return m.failed(n, false, ctx.Err())
			}
			permanent := permanentReply(err)
			hopeless = hopeless && permanent
			refused = errors.Join(refused, fmt.Errorf("to %s: %w", to, err))
			continue
		}
		m.have[to] = true
	}
	if refused != nil {
		return m.failed(n, hopeless, refused)
	}
	return nil
}

func (m *Mail) failed(n Notice, permanent bool, err error) error {
	return &Error{Sink: m.Name(), NoticeID: n.ID, Permanent: permanent, Err: err}
}

// permanentReply reports whether a mail server said 5xx, which is for good;
// 4xx and trouble on the way are not.
func permanentReply(err error) bool {
	var sent *gomail.SendError
	return errors.As(err, &sent) && sent.ErrorCode() >= 500
}

// message writes the mail about a notice to one recipient.
func (m *Mail) message(n Notice, to string) (*gomail.Msg, error) {
	message := gomail.NewMsg()
	if err := message.From(m.from); err != nil {
		return nil, fmt.Errorf("from %q: %w", m.from, err)
	}
	if err := message.To(to); err != nil {
		return nil, fmt.Errorf("to %q: %w", to, err)
	}
	message.Subject(subject(n))
	message.SetDate()
	message.SetMessageIDWithValue(n.Key() + "." + digest(to) + "@gapward.invalid")
	thread := "<thread-" + digest(n.Site, n.Brake, n.Device, string(n.Condition), strconv.FormatInt(n.SinceNS, 10)) + "@gapward.invalid>"
	message.SetGenHeader(gomail.HeaderReferences, thread)
	message.SetGenHeader(gomail.HeaderInReplyTo, thread)
	message.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no absence notes, please
	message.SetBodyString(gomail.TypeTextPlain, mailBody(n))
	return message, nil
}

// subject says where and what; figures are in the body, so that the subjects
// of one thread stay alike.
func subject(n Notice) string {
	text := alerts.Title(n.Condition)
	if !alerts.Flood(n.Condition) {
		text = alerts.Subject(n.Event) + ": " + text
	}
	text = n.Site + ": " + text
	if verb := alerts.Verb(n.Change); verb != "" {
		text = verb + ": " + text
	}
	return strings.Join(strings.Fields(text), " ")
}

func mailBody(n Notice) string {
	var b strings.Builder
	b.WriteString(alerts.Message(n.Event) + "\n")
	b.WriteString("Site: " + n.Site + "\n")
	if n.Link != "" {
		b.WriteString(n.Link + "\n")
	}
	first := "First: "
	if n.Change == alerts.Cleared {
		first = "It has gone. If it comes again: "
	}
	b.WriteString("\n" + first + alerts.FirstStep(n.Condition) + "\n")
	b.WriteString("\nBefore anybody touches the brake:\n")
	for _, c := range alerts.Cautions() {
		b.WriteString("- " + c + "\n")
	}
	return b.String()
}

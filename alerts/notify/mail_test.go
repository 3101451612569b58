package notify

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// mailbox is a mail server that keeps what it is handed.
type mailbox struct {
	address string
	server  *smtp.Server
	cert    *x509.Certificate

	mu     sync.Mutex
	mails  []received
	logins []string
	refuse map[string]error // answers to recipients
	noMail error            // answer to every mail's end
}

type received struct {
	to  string
	raw []byte
}

// startMailbox listens on 127.0.0.1. With withTLS it offers STARTTLS, with
// fromStart it speaks TLS from the start.
func startMailbox(t *testing.T, withTLS, fromStart bool) *mailbox {
	t.Helper()
	b := &mailbox{refuse: map[string]error{}}
	b.server = smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &session{box: b}, nil }))
	b.server.Domain = "mail.example"
	b.server.AllowInsecureAuth = true // whether to tell the password is the client's affair here
	b.server.ErrorLog = quiet{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.address = l.Addr().String()
	if withTLS {
		b.server.TLSConfig = b.certificate(t)
		if fromStart {
			l = tls.NewListener(l, b.server.TLSConfig)
		}
	}
	served := make(chan error, 1)
	go func() { served <- b.server.Serve(l) }()
	t.Cleanup(func() {
		b.server.Close()
		if err := <-served; err != nil && !errors.Is(err, smtp.ErrServerClosed) && !errors.Is(err, net.ErrClosed) {
			t.Error(err)
		}
	})
	return b
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// certificate makes a server certificate for 127.0.0.1.
func (b *mailbox) certificate(t *testing.T) *tls.Config {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	if b.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}

type session struct {
	box *mailbox
	to  []string
}

func (s *session) Reset()                               { s.to = nil }
func (s *session) Logout() error                        { return nil }
func (s *session) Mail(string, *smtp.MailOptions) error { return nil }
func (s *session) AuthMechanisms() []string             { return []string{sasl.Plain} }

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		s.box.mu.Lock()
		defer s.box.mu.Unlock()
		s.box.logins = append(s.box.logins, user)
		if user != "edge" || password != "s3cret" {
			return smtp.ErrAuthFailed
		}
		return nil
	}), nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.box.mu.Lock()
	defer s.box.mu.Unlock()
	s.to = append(s.to, to)
	return s.box.refuse[to]
}

func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.box.mu.Lock()
	defer s.box.mu.Unlock()
	if s.box.noMail != nil {
		return s.box.noMail
	}
	s.box.mails = append(s.box.mails, received{strings.Join(s.to, " "), raw})
	return nil
}

// take returns the mails that came and forgets them.
func (b *mailbox) take() []received {
	b.mu.Lock()
	defer b.mu.Unlock()
	mails := b.mails
	b.mails = nil
	return mails
}

// startMail makes the notifier of a mailbox, and lets it trust the mailbox.
func startMail(t *testing.T, b *mailbox, s MailSettings) *Mail {
	t.Helper()
	if s.SMTP == "" {
		s.SMTP = b.address
	}
	if s.To == nil {
		s.To = []string{"shift@quay.example"}
	}
	if s.From == "" {
		s.From = "gapward@quay.example"
	}
	m, err := NewMail(s)
	if err != nil {
		t.Fatal(err)
	}
	if b.cert != nil {
		m.tls.RootCAs = x509.NewCertPool()
		m.tls.RootCAs.AddCert(b.cert)
	}
	return m
}

func parsed(t *testing.T, r received) (header mail.Header, subject, body string) {
	t.Helper()
	message, err := mail.ReadMessage(bytes.NewReader(r.raw))
	if err != nil {
		t.Fatal(err)
	}
	if subject, err = new(mime.WordDecoder).DecodeHeader(message.Header.Get("Subject")); err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(quotedprintable.NewReader(message.Body))
	if err != nil {
		t.Fatal(err)
	}
	return message.Header, subject, strings.ReplaceAll(string(text), "\r\n", "\n")
}

func TestMailText(t *testing.T) {
	box := startMailbox(t, false, false)
	m := startMail(t, box, MailSettings{})
	raised := exampleNotice(7, alerts.Raised)
	if err := m.Notify(t.Context(), []Notice{raised}); err != nil {
		t.Fatal(err)
	}
	mails := box.take()
	if len(mails) != 1 || mails[0].to != "shift@quay.example" {
		t.Fatalf("mails are %v, want one to shift@quay.example", mails)
	}
	header, subject, body := parsed(t, mails[0])
	if subject != "Kestrel Quay: quay-2/main: Air gap is due for adjustment" {
		t.Errorf("its subject is %q", subject)
	}
	want := alerts.Message(raised.Event) + "\nSite: Kestrel Quay\nhttp://127.0.0.1:8480/brakes/quay-2/main\n\nFirst: " + alerts.FirstStep(analysis.GapAdjust) +
		"\n\nBefore anybody touches the brake:\n- " + strings.Join(alerts.Cautions(), "\n- ") + "\n"
	if strings.TrimRight(body, "\n") != strings.TrimRight(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", body, want)
	}
	if header.Get("Auto-Submitted") != "auto-generated" || header.Get("From") != "<gapward@quay.example>" || header.Get("To") != "<shift@quay.example>" {
		t.Errorf("its header is %v", header)
	}
	if _, err := header.Date(); err != nil {
		t.Errorf("its date: %v", err)
	}
}

func TestMailsOfOneIncidentMakeOneThread(t *testing.T) {
	box := startMailbox(t, false, false)
	m := startMail(t, box, MailSettings{})
	other := exampleNotice(9, alerts.Raised)
	other.Condition = analysis.GapMax
	later := exampleNotice(11, alerts.Raised) // the same condition, another incident
	later.SinceNS += 24 * 3600e9
	gateway := exampleNotice(10, alerts.Raised)
	gateway.Brake, gateway.Condition = "", analysis.GatewayFault
	notices := []Notice{exampleNotice(7, alerts.Raised), exampleNotice(8, alerts.Cleared), other, gateway, later}
	if err := m.Notify(t.Context(), notices); err != nil {
		t.Fatal(err)
	}
	mails := box.take()
	if len(mails) != 5 {
		t.Fatalf("%d mails came, want one for each event", len(mails))
	}
	ids, threads := map[string]bool{}, []string{}
	for i, r := range mails {
		header, subject, body := parsed(t, r)
		ids[header.Get("Message-ID")] = true
		threads = append(threads, header.Get("References"))
		if header.Get("In-Reply-To") != header.Get("References") || header.Get("References") == "" {
			t.Errorf("mail %d replies to %q and refers to %q", i, header.Get("In-Reply-To"), header.Get("References"))
		}
		if i == 1 && (!strings.HasPrefix(subject, "Cleared: ") || !strings.Contains(body, "If it comes again: "+alerts.FirstStep(analysis.GapAdjust))) {
			t.Errorf("of a cleared alarm it says %q\n%s", subject, body)
		}
		if i == 3 && subject != "Kestrel Quay: gateway: gapward itself has a fault" {
			t.Errorf("of the gateway it says %q", subject)
		}
	}
	if len(ids) != 5 {
		t.Errorf("five mails have %d ids", len(ids))
	}
	if threads[0] != threads[1] || threads[0] == threads[2] || threads[2] == threads[3] || threads[0] == threads[4] {
		t.Errorf("threads are %v; want the first two alike and the others apart", threads)
	}
}

func TestMailSentTwiceHasOneID(t *testing.T) {
	box := startMailbox(t, false, false)
	for range 2 { // as after a restart
		if err := startMail(t, box, MailSettings{}).Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)}); err != nil {
			t.Fatal(err)
		}
	}
	mails := box.take()
	first, _, _ := parsed(t, mails[0])
	second, _, _ := parsed(t, mails[1])
	if first.Get("Message-ID") != second.Get("Message-ID") || first.Get("Message-ID") == "" {
		t.Errorf("its ids are %q and %q", first.Get("Message-ID"), second.Get("Message-ID"))
	}
}

func TestMailOverTLSWithAPassword(t *testing.T) {
	for _, c := range []struct {
		name      string
		fromStart bool
		scheme    string
	}{{"STARTTLS", false, ""}, {"from the start", true, "smtps://"}} {
		t.Run(c.name, func(t *testing.T) {
			box := startMailbox(t, true, c.fromStart)
			m := startMail(t, box, MailSettings{SMTP: c.scheme + box.address, User: "edge", PasswordFile: secretFile(t, "s3cret\n"), TLS: "required"})
			if err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)}); err != nil {
				t.Fatal(err)
			}
			if len(box.take()) != 1 || len(box.logins) != 1 {
				t.Errorf("logins are %v; want one mail after one login", box.logins)
			}
		})
	}
}

func TestMailRefusesAServerWithoutTLS(t *testing.T) {
	box := startMailbox(t, false, false)
	m := startMail(t, box, MailSettings{TLS: "required", User: "edge", PasswordFile: secretFile(t, "s3cret")})
	err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
	if err == nil || !strings.Contains(err.Error(), "STARTTLS") || len(box.take()) != 0 || len(box.logins) != 0 {
		t.Errorf("error is %v, logins are %v; want neither mail nor password sent in the clear", err, box.logins)
	}
}

func TestMailRefusesACertificateItDoesNotTrust(t *testing.T) {
	box := startMailbox(t, true, false)
	m := startMail(t, box, MailSettings{})
	m.tls.RootCAs = x509.NewCertPool()
	err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
	if err == nil || !strings.Contains(err.Error(), "certificate") || Permanent(err) {
		t.Errorf("error is %v, want one about the certificate", err)
	}
}

func TestMailWrongPasswordIsClearAndMayBePutRight(t *testing.T) {
	box := startMailbox(t, true, false)
	m := startMail(t, box, MailSettings{User: "edge", PasswordFile: secretFile(t, "wrong")})
	err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
	if err == nil || !strings.Contains(err.Error(), "535") || Permanent(err) {
		t.Errorf("error is %v, want a temporary one with the server's 535", err)
	}
	if strings.Contains(err.Error(), "wrong") {
		t.Errorf("the error tells the password: %v", err)
	}
}

func TestMailServesTheOthersWhenOneIsRefused(t *testing.T) {
	box := startMailbox(t, false, false)
	m := startMail(t, box, MailSettings{To: []string{"gone@quay.example", "shift@quay.example"}})
	box.refuse["gone@quay.example"] = &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}
	err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
	if !Permanent(err) || !strings.Contains(err.Error(), "to gone@quay.example") || !strings.Contains(err.Error(), "no such user") {
		t.Errorf("error is %v, want a permanent one about gone@quay.example", err)
	}
	if mails := box.take(); len(mails) != 1 || mails[0].to != "shift@quay.example" {
		t.Errorf("mails are %v, want the one to shift@quay.example", mails)
	}
}

func TestMailTriesAgainOnlyForWhoHasNotHadIt(t *testing.T) {
	box := startMailbox(t, false, false)
	m := startMail(t, box, MailSettings{To: []string{"full@quay.example", "shift@quay.example"}})
	box.refuse["full@quay.example"] = &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
	notices := []Notice{exampleNotice(7, alerts.Raised), exampleNotice(8, alerts.Cleared)}
	err := m.Notify(t.Context(), notices)
	var failed *Error
	if !errors.As(err, &failed) || failed.Permanent || failed.NoticeID != 7 {
		t.Fatalf("error is %v, want a temporary one about notice 7", err)
	}
	delete(box.refuse, "full@quay.example")
	if err := m.Notify(t.Context(), notices); err != nil {
		t.Fatal(err)
	}
	var to []string
	for _, r := range box.take() {
		to = append(to, r.to)
	}
	if got, want := strings.Join(to, " "), "shift@quay.example full@quay.example full@quay.example shift@quay.example"; got != want {
		t.Errorf("mails went to %s; want %s: the first notice once to each, then the second", got, want)
	}
}

func TestMailRefusedContentIsPermanent(t *testing.T) {
	box := startMailbox(t, false, false)
	m := startMail(t, box, MailSettings{})
	box.noMail = &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "not wanted"}
	if err := m.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)}); !Permanent(err) {
		t.Errorf("error is %v, want a permanent one", err)
	}
}

func TestMailServerAway(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	box := &mailbox{address: l.Addr().String()}
	l.Close()
	err = startMail(t, box, MailSettings{}).Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
	if err == nil || Permanent(err) || !strings.Contains(err.Error(), "delivering alarm 7 to mail "+box.address+": connecting: ") {
		t.Errorf("error is %v, want a temporary one that says where and what", err)
	}
}

func TestMailEndsWithItsContext(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	ctx, cancel := context.WithCancel(t.Context())
	go func() { // takes the connection and says nothing
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		cancel()
		_, _ = io.Copy(io.Discard, conn)
	}()
	done := make(chan error, 1)
	go func() {
		done <- startMail(t, &mailbox{address: l.Addr().String()}, MailSettings{}).Notify(ctx, []Notice{exampleNotice(7, alerts.Raised)})
	}()
	select {
	case err := <-done:
		if err == nil || Permanent(err) {
			t.Errorf("error is %v, want a temporary one", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("Notify goes on 5 s after its context ended")
	}
}

func TestMailOfNothingCallsNobody(t *testing.T) {
	m := startMail(t, &mailbox{address: "127.0.0.1:1"}, MailSettings{})
	if err := m.Notify(t.Context(), nil); err != nil {
		t.Error(err)
	}
}

func TestMailSenderDefaultsToThisMachine(t *testing.T) {
	m, err := NewMail(MailSettings{SMTP: "mail.example", To: []string{"shift@quay.example"}})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(m.from, "gapward@") || len(m.from) == len("gapward@") {
		t.Errorf("it sends from %q", m.from)
	}
}

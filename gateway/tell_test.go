package gateway

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/alerts/notify"
	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/export"
	"gapward/gateway/store"

	"github.com/emersion/go-smtp"
)

// post is a mail server that keeps the subject and thread of each mail.
type post struct {
	mu    sync.Mutex
	mails []letter
}

type letter struct{ subject, thread string }

func (p *post) NewSession(*smtp.Conn) (smtp.Session, error) { return &carrier{p}, nil }

func (p *post) read() []letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.mails)
}

type carrier struct{ to *post }

func (*carrier) Reset()                               {}
func (*carrier) Logout() error                        { return nil }
func (*carrier) Mail(string, *smtp.MailOptions) error { return nil }
func (*carrier) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (c *carrier) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	m, err := mail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	c.to.mu.Lock()
	defer c.to.mu.Unlock()
	c.to.mails = append(c.to.mails, letter{m.Header.Get("Subject"), m.Header.Get("References")})
	return nil
}

// hooked is a webhook that can be out of order, and what came while it wasn't.
type hooked struct {
	mu       sync.Mutex
	broken   bool
	refused  int
	messages []string
	keys     map[string]int
}

func (h *hooked) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var body struct{ Message string }
	err := json.NewDecoder(r.Body).Decode(&body)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.broken || err != nil {
		h.refused++
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	h.messages = append(h.messages, body.Message)
	h.keys[r.Header.Get("Idempotency-Key")]++
}

func (h *hooked) read() (messages []string, refused int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.messages), h.refused
}

// until waits for something that other goroutines bring about.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// Each way of telling people goes through the stored alarms from its own place:
// one that is out of order holds up no other, is tried again at growing
// intervals, and then has all it missed, in order; and a restart tells nothing
// twice.
func TestEachWayOfTellingHasItsOwnPlace(t *testing.T) {
	hook := &hooked{broken: true, keys: map[string]int{}}
	web := httptest.NewServer(hook)
	t.Cleanup(web.Close)
	box := &post{}
	server := smtp.NewServer(box)
	server.Domain = "mail.example"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = server.Serve(l) }() // ends with Close
	t.Cleanup(func() { _ = server.Close() })
	db, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	site := &configs.Site{Name: "Kestrel Quay", Notify: []notify.Settings{
		{Webhook: &notify.WebhookSettings{URL: web.URL}},
		{Mail: &notify.MailSettings{SMTP: l.Addr().String(), To: []string{"shift@quay.example"}, From: "gapward@quay.example"}},
	}}
	run := func() (stop func()) {
		t.Helper()
		sinks, err := notifiers(site, "http://127.0.0.1:8480")
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var all sync.WaitGroup
		var mu sync.Mutex
		begun := map[string]bool{} // has looked at the store: what comes from now on is told
		for _, s := range sinks {
			all.Go(func() {
				note := func(p export.Progress) {
					mu.Lock()
					defer mu.Unlock()
					begun[p.Exporter] = true
				}
				if err := export.Run(ctx, db, s, slog.New(slog.DiscardHandler), note); err != nil {
					t.Error(err)
				}
			})
		}
		until(t, "every way has begun", func() bool {
			mu.Lock()
			defer mu.Unlock()
			return len(begun) == len(sinks)
		})
		return func() { cancel(); all.Wait() }
	}
	began := time.Date(2026, 11, 18, 12, 0, 0, 0, time.UTC).UnixNano()
	n := int64(0)
	happens := func(brake string, c alerts.Change, s alerts.State, by string) {
		t.Helper()
		n++
		b := store.Batch{Alarms: []store.AlarmRow{{Event: alerts.Event{AtNS: began + n*60e9, SinceNS: began, Brake: brake, Condition: analysis.GapMax, Change: c, State: s,
			Value: 3.43, U: 0.02, Limit: 3.4, Unit: "mm", By: by}}}}
		if err := db.Commit(t.Context(), &b); err != nil {
			t.Fatal(err)
		}
	}

	stop := run()
	happens("quay-2/main", alerts.Raised, alerts.Unacknowledged, "")
	happens("quay-1/main", alerts.Raised, alerts.Unacknowledged, "")
	happens("quay-2/main", alerts.Acked, alerts.Acknowledged, "R. Holm")
	happens("quay-2/main", alerts.Cleared, alerts.Normal, "")
	until(t, "four mails, while the webhook is out of order", func() bool { return len(box.read()) == 4 })
	until(t, "the webhook is tried again", func() bool { _, refused := hook.read(); return refused >= 2 })
	if got, refused := hook.read(); len(got) != 0 || refused > 20 {
		t.Errorf("out of order, the webhook took %q and was tried %d times", got, refused)
	}
	stop()
	stop = run() // a restart in the middle of the outage
	hook.mu.Lock()
	hook.broken = false
	hook.mu.Unlock()
	until(t, "the webhook has all that it missed", func() bool { got, _ := hook.read(); return len(got) >= 4 })
	stop()
	stop = run()
	happens("quay-1/main", alerts.Acked, alerts.Acknowledged, "K. Berg")
	until(t, "the last is told both ways", func() bool { got, _ := hook.read(); return len(got) >= 5 && len(box.read()) >= 5 })
	stop()

	got, _ := hook.read()
	var heads []string
	for _, m := range got {
		head, _, _ := strings.Cut(m, ",")
		heads = append(heads, head)
	}
	want := []string{"Air gap has reached its maximum: quay-2/main", "Air gap has reached its maximum: quay-1/main", "Acknowledged by R. Holm: Air gap has reached its maximum: quay-2/main",
		"Cleared: Air gap has reached its maximum: quay-2/main", "Acknowledged by K. Berg: Air gap has reached its maximum: quay-1/main"}
	if !slices.Equal(heads, want) {
		t.Errorf("the webhook was told %q, want %q", heads, want)
	}
	for key, times := range hook.keys {
		if times != 1 {
			t.Errorf("%s was told %d times", key, times)
		}
	}
	mails := box.read()
	if len(mails) != 5 {
		t.Fatalf("%d mails: %+v", len(mails), mails)
	}
	if mails[0].thread == "" || mails[0].thread != mails[2].thread || mails[0].thread != mails[3].thread || mails[1].thread != mails[4].thread || mails[0].thread == mails[1].thread {
		t.Errorf("the incidents are not a thread each: %+v", mails)
	}
}

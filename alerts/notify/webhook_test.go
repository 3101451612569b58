package notify

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// receiver is a far end that answers what it is told to, and keeps what came.
type receiver struct {
	*httptest.Server
	got     []*http.Request
	bodies  []string
	answers []int // one a request; 204 once they are used up
}

func startReceiver(t *testing.T, answers ...int) *receiver {
	r := &receiver{answers: answers}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		if err != nil {
			t.Error(err)
		}
		r.got, r.bodies = append(r.got, req), append(r.bodies, string(body))
		code := http.StatusNoContent
		if len(r.answers) > 0 {
			code, r.answers = r.answers[0], r.answers[1:]
		}
		switch {
		case code >= 300 && code < 400:
			w.Header().Set("Location", "/elsewhere")
		case code == http.StatusTooManyRequests:
			w.Header().Set("Retry-After", "7")
		}
		w.WriteHeader(code)
		if code >= 400 {
			_, _ = io.WriteString(w, "no such hook\nsecond line")
		}
	}))
	t.Cleanup(r.Close)
	return r
}

func startWebhook(t *testing.T, s WebhookSettings) *Webhook {
	t.Helper()
	w, err := NewWebhook(s)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestWebhookBody(t *testing.T) {
	far := startReceiver(t)
	w := startWebhook(t, WebhookSettings{URL: far.URL + "/in?token=abc"})
	if err := w.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)}); err != nil {
		t.Fatal(err)
	}
	cautions, err := json.Marshal(alerts.Cautions())
	if err != nil {
		t.Fatal(err)
	}
	want := `{"type":"alarm","brake":"quay-2/main","time":"2026-11-25T01:09:03.5Z","condition":"gap-adjust","state":"raised","value":2.84,"unit":"mm","limit":2.8,` +
		`"u":0.03,"id":7,"key":"` + exampleNotice(7, alerts.Raised).Key() + `","site":"Kestrel Quay","since":"2026-11-25T01:02:03.5Z","title":"Air gap is due for adjustment",` +
		`"message":"Air gap is due for adjustment: quay-2/main, 2.84 ± 0.06 mm, limit 2.80 mm, since 2026-11-25 01:02:03 UTC",` +
		`"first_step":"` + alerts.FirstStep(analysis.GapAdjust) + `","cautions":` + string(cautions) + `,"link":"http://127.0.0.1:8480/brakes/quay-2/main"}`
	if len(far.bodies) != 1 || far.bodies[0] != want {
		t.Errorf("got  %s\nwant %s", far.bodies, want)
	}
	req := far.got[0]
	if req.Method != http.MethodPost || req.URL.String() != "/in?token=abc" || req.Header.Get("Content-Type") != "application/json" {
		t.Errorf("the request is %s %s of %s", req.Method, req.URL, req.Header.Get("Content-Type"))
	}
	if got, want := req.Header.Get("Idempotency-Key"), exampleNotice(7, alerts.Raised).Key(); got != want {
		t.Errorf("its key is %q, want %q", got, want)
	}
	if got, ok := req.Header["X-Gapward-Signature"]; ok {
		t.Errorf("without a secret it is signed: %q", got)
	}
}

func TestWebhookBodyLeavesOutWhatIsMissing(t *testing.T) {
	n := exampleNotice(7, alerts.Acked)
	n.Event.Value, n.Event.Limit, n.Event.By, n.Link = notANumber, notANumber, "night shift", ""
	body, err := noticeBody(n)
	if err != nil {
		t.Fatal(err)
	}
	var object map[string]any
	if err := json.Unmarshal(body, &object); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	for _, name := range []string{"value", "limit", "link"} {
		if v, ok := object[name]; ok {
			t.Errorf("it has %s: %v", name, v)
		}
	}
	if object["by"] != "night shift" || object["state"] != "acknowledged" {
		t.Errorf("it says %v by %v", object["state"], object["by"])
	}
}

func TestWebhookSignature(t *testing.T) {
	far := startReceiver(t)
	w := startWebhook(t, WebhookSettings{URL: far.URL, SecretFile: secretFile(t, "s3cret\n")})
	if err := w.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)}); err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, []byte("s3cret")) // without the line end of the file
	mac.Write([]byte(far.bodies[0]))
	if got, want := far.got[0].Header.Get("X-Gapward-Signature"), "sha256="+hex.EncodeToString(mac.Sum(nil)); got != want {
		t.Errorf("its signature is %q, want %q", got, want)
	}
}

func TestWebhookAnswers(t *testing.T) {
	for _, c := range []struct {
		code      int
		delivered bool
		permanent bool
		retry     time.Duration
		says      string
	}{
		{code: 200, delivered: true},
		{code: 204, delivered: true},
		{code: 302, says: "it answers 302 Found and points elsewhere; set url to where it points"},
		{code: 400, permanent: true, says: `it answers 400 Bad Request: "no such hook"`},
		{code: 404, permanent: true, says: `it answers 404 Not Found: "no such hook"`},
		{code: 408, says: `it answers 408 Request Timeout: "no such hook"`},
		{code: 410, permanent: true, says: `it answers 410 Gone: "no such hook"`},
		{code: 429, retry: 7 * time.Second, says: `it answers 429 Too Many Requests: "no such hook"`},
		{code: 500, says: `it answers 500 Internal Server Error: "no such hook"`},
		{code: 503, says: `it answers 503 Service Unavailable: "no such hook"`},
	} {
		t.Run(http.StatusText(c.code), func(t *testing.T) {
			far := startReceiver(t, c.code)
			w := startWebhook(t, WebhookSettings{URL: far.URL + "/in?token=abc"})
			err := w.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
			if c.delivered {
				if err != nil {
					t.Errorf("it wasn't delivered: %v", err)
				}
				return
			}
			var failed *Error
			if !errors.As(err, &failed) {
				t.Fatalf("error is %v, want an *Error", err)
			}
			if failed.Permanent != c.permanent || Permanent(err) != c.permanent || failed.RetryAfter != c.retry || failed.NoticeID != 7 {
				t.Errorf("it is %+v; want permanent %v, retry after %v, notice 7", failed, c.permanent, c.retry)
			}
			if want := "delivering alarm 7 to webhook " + far.URL + "/in: " + c.says; err.Error() != want {
				t.Errorf("got  %s\nwant %s", err, want)
			}
			if len(far.got) != 1 {
				t.Errorf("there were %d requests, want one: a redirect isn't followed and nothing is tried again here", len(far.got))
			}
		})
	}
}

func TestWebhookStopsAtTheFirstFailure(t *testing.T) {
	far := startReceiver(t, 200, 500, 200)
	w := startWebhook(t, WebhookSettings{URL: far.URL})
	err := w.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised), exampleNotice(8, alerts.Acked), exampleNotice(9, alerts.Cleared)})
	var failed *Error
	if !errors.As(err, &failed) || failed.NoticeID != 8 {
		t.Errorf("error is %v, want one about notice 8", err)
	}
	if len(far.got) != 2 {
		t.Errorf("there were %d requests, want two: order matters to people", len(far.got))
	}
}

func TestWebhookFarEndAway(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	w := startWebhook(t, WebhookSettings{URL: "http://" + address + "/in?token=abc"})
	err = w.Notify(t.Context(), []Notice{exampleNotice(7, alerts.Raised)})
	if err == nil || Permanent(err) || !strings.Contains(err.Error(), "connection refused") || strings.Contains(err.Error(), "abc") {
		t.Errorf("error is %v; want a temporary one that says why, without the token", err)
	}
}

func TestWebhookEndsWithItsContext(t *testing.T) {
	arrived, release := make(chan struct{}), make(chan struct{})
	far := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		close(arrived)
		<-release
	}))
	defer far.Close()
	defer close(release)
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		<-arrived
		cancel()
	}()
	err := startWebhook(t, WebhookSettings{URL: far.URL}).Notify(ctx, []Notice{exampleNotice(7, alerts.Raised)})
	if !errors.Is(err, context.Canceled) || Permanent(err) {
		t.Errorf("error is %v, want a temporary one because of the context", err)
	}
}

func TestRetryAfter(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"": 0, "7": 7 * time.Second, "-7": 0, "soon": 0, "99999999": time.Hour,
		"Wed, 25 Nov 2015 07:28:00 GMT": 0, // past
		"Wed, 25 Nov 2260 07:28:00 GMT": time.Hour,
	} {
		if got := retryAfter(text); got != want {
			t.Errorf("%q is %v, want %v", text, got, want)
		}
	}
}

package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"gapward/alerts"
)

// webhookTimeout is for a whole request and reply.
const webhookTimeout = 10 * time.Second

// Webhook posts each notice as one JSON object.
//
// The object is the alarm's line with u, the value's standard uncertainty, id, key, site, since, title, message,
// first_step, cautions and link added. Header Idempotency-Key is [Notice.Key].
// With a secret, header X-Gapward-Signature is "sha256=" and the HMAC-SHA-256
// of the body under the secret, in hexadecimal. Any reply of 200 to 299 means
// delivered; one of 400 to 499, but for 408 and 429, means never.
type Webhook struct {
	url    *url.URL
	secret string
	client *http.Client
}

// NewWebhook reads the secret's file.
func NewWebhook(s WebhookSettings) (*Webhook, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	u, err := url.Parse(s.URL)
	if err != nil {
		return nil, fmt.Errorf("webhook: reading its url: %w", withoutURL(err))
	}
	w := &Webhook{url: u, client: &http.Client{
		Timeout: webhookTimeout,
		// A redirected POST may become a GET without a body, which a far end
		// could well answer with 200.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	if s.SecretFile != "" {
		if w.secret, err = readSecret(s.SecretFile); err != nil {
			return nil, fmt.Errorf("webhook %s: reading its secret: %w", shownURL(u), err)
		}
	}
	return w, nil
}

// Name is the URL without what may be secret in it.
func (w *Webhook) Name() string { return "webhook " + shownURL(w.url) }

// Notify posts the notices one by one.
func (w *Webhook) Notify(ctx context.Context, notices []Notice) error {
	for _, n := range notices {
		if failed := w.post(ctx, n); failed != nil {
			failed.Sink, failed.NoticeID = w.Name(), n.ID
			return failed
		}
	}
	return nil
}

// post delivers one notice and returns nil, or what went wrong.
func (w *Webhook) post(ctx context.Context, n Notice) *Error {
	body, err := noticeBody(n)
	if err != nil {
		return &Error{Permanent: true, Err: err}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url.String(), bytes.NewReader(body))
	if err != nil {
		return &Error{Permanent: true, Err: withoutURL(err)}
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "gapward")
	req.Header.Set("Idempotency-Key", n.Key())
	if w.secret != "" {
		mac := hmac.New(sha256.New, []byte(w.secret))
		mac.Write(body)
		req.Header.Set("X-Gapward-Signature", "sha256="+hex.EncodeToString(mac.Sum(nil)))
	}
	resp, err := w.client.Do(req)
	if err != nil {
		return &Error{Err: withoutURL(err)}
	}
	defer resp.Body.Close()
	// The start of what it says helps whoever reads the error. Reading some of
	// it also lets the connection be used again.
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 4<<10))
	switch code := resp.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code >= 300 && code < 400:
		return &Error{Err: fmt.Errorf("it answers %s and points elsewhere; set url to where it points", resp.Status)}
	default:
		return &Error{
			Permanent:  code >= 400 && code < 500 && code != http.StatusRequestTimeout && code != http.StatusTooManyRequests,
			RetryAfter: retryAfter(resp.Header.Get("Retry-After")),
			Err:        errors.New("it answers " + resp.Status + excerpt(said)),
		}
	}
}

// noticeBody is the alarm's line with what a receiver needs who knows nothing
// of the site.
func noticeBody(n Notice) ([]byte, error) {
	since := string(time.Unix(0, n.SinceNS).UTC().AppendFormat(nil, time.RFC3339Nano))
	more, err := json.Marshal(struct {
		U         *float64 `json:"u,omitempty"`
		ID        int64    `json:"id"`
		Key       string   `json:"key"`
		Site      string   `json:"site"`
		Since     string   `json:"since"`
		Title     string   `json:"title"`
		Message   string   `json:"message"`
		FirstStep string   `json:"first_step"`
		Cautions  []string `json:"cautions"`
		Link      string   `json:"link,omitempty"`
	}{uncertainty(n.U), n.ID, n.Key(), n.Site, since, alerts.Title(n.Condition), alerts.Message(n.Event), alerts.FirstStep(n.Condition), alerts.Cautions(), n.Link})
	if err != nil {
		return nil, fmt.Errorf("writing its body: %w", err)
	}
	line := n.Event.AppendJSON(nil)
	body := append(line[:len(line)-1], ',')
	body = append(body, more[1:]...)
	if !json.Valid(body) {
		return nil, fmt.Errorf("its body is no JSON: %.200s", body)
	}
	return body, nil
}

// uncertainty is a figure that may be missing.
func uncertainty(u float64) *float64 {
	if math.IsNaN(u) || math.IsInf(u, 0) || u <= 0 {
		return nil
	}
	return &u
}

// retryAfter reads the header of that name, in seconds or as a date; 0 where
// it says nothing. An hour is the most that is believed.
func retryAfter(text string) time.Duration {
	wait := time.Duration(0)
	if seconds, err := strconv.ParseUint(text, 10, 31); err == nil {
		wait = time.Duration(seconds) * time.Second
	} else if at, err := http.ParseTime(text); err == nil {
		wait = time.Until(at)
	}
	return min(max(wait, 0), time.Hour)
}

// excerpt is the first line of a reply, for an error.
func excerpt(said []byte) string {
	line, _, _ := strings.Cut(strings.TrimSpace(string(said)), "\n")
	if line = strings.TrimSpace(line); line == "" {
		return ""
	}
	const most = 120
	if len(line) > most {
		line = line[:most] + "…"
	}
	return ": " + strconv.Quote(line)
}

// shownURL is a URL without user, query and fragment, where tokens stand.
func shownURL(u *url.URL) string {
	return (&url.URL{Scheme: u.Scheme, Host: u.Host, Path: u.Path}).String()
}

// withoutURL takes the whole URL out of an error of net/http or net/url; the
// notifier's name says enough of it.
func withoutURL(err error) error {
	var e *url.Error
	if errors.As(err, &e) {
		return e.Err
	}
	return err
}

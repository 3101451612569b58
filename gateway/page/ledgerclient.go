package page

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"gapward/gateway/report"
)

// RefusedError is why a gateway did not take an entry. Status is the HTTP
// status of the answer: from 400 to 499 the entry is at fault.
type RefusedError struct {
	Status int
	Why    string
}

func (e *RefusedError) Error() string { return e.Why }

// SendEntry has the gateway on this machine that listens at an address enter
// something, and returns it as it was stored. It asks the gateway itself, by
// no proxy. A refusal is a [RefusedError]; after any other error it isn't known
// whether the entry was stored.
func SendEntry(ctx context.Context, listen string, body report.EntryBody) (report.EntryBody, error) {
	addr, err := loopbackOf(listen)
	if err != nil {
		return report.EntryBody{}, err
	}
	text, err := json.Marshal(body)
	if err != nil {
		return report.EntryBody{}, fmt.Errorf("writing the entry as JSON: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+addr+"/api/ledger", bytes.NewReader(text))
	if err != nil {
		return report.EntryBody{}, fmt.Errorf("asking the gateway: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	client := http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	answer, err := client.Do(req)
	if err != nil {
		return report.EntryBody{}, fmt.Errorf("asking the gateway at %s: %w", addr, err)
	}
	defer func() { _ = answer.Body.Close() }() // what matters of it has been read
	text, err = io.ReadAll(io.LimitReader(answer.Body, 1<<20))
	if err != nil {
		return report.EntryBody{}, fmt.Errorf("reading the answer of the gateway at %s: %w", addr, err)
	}
	if answer.StatusCode != http.StatusCreated {
		var told struct {
			Error string `json:"error"`
		}
		if json.Unmarshal(text, &told) != nil || told.Error == "" {
			told.Error = fmt.Sprintf("what listens at %s answers %s: is it a gapward?", addr, answer.Status)
		}
		return report.EntryBody{}, &RefusedError{answer.StatusCode, told.Error}
	}
	var stored report.EntryBody
	if err := json.Unmarshal(text, &stored); err != nil || stored.ID == 0 {
		return report.EntryBody{}, errors.Join(fmt.Errorf("the gateway at %s answers with what is no entry", addr), err)
	}
	return stored, nil
}

// loopbackOf is where this machine reaches what listens at an address.
func loopbackOf(listen string) (string, error) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return "", fmt.Errorf("the page's address %q: %w", listen, err)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port), nil
}

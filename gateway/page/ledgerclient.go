package page

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
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

// LocalGateway is the gateway on this machine.
type LocalGateway struct {
	Listen    string
	CertFile  string // of its certificate; empty: it has none
	TokenFile string // by which its commands are known; empty or not there: by none
}

// SendEntry has the gateway on this machine enter something, and returns it as
// it was stored. It asks the gateway itself, by no proxy. A refusal is a [RefusedError]; after any other error it isn't known
// whether the entry was stored.
func SendEntry(ctx context.Context, g LocalGateway, body report.EntryBody) (report.EntryBody, error) {
	addr, err := loopbackOf(g.Listen)
	if err != nil {
		return report.EntryBody{}, err
	}
	text, err := json.Marshal(body)
	if err != nil {
		return report.EntryBody{}, fmt.Errorf("writing the entry as JSON: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	scheme, papers, err := g.papers()
	if err != nil {
		return report.EntryBody{}, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, scheme+"://"+addr+"/api/ledger", bytes.NewReader(text))
	if err != nil {
		return report.EntryBody{}, fmt.Errorf("asking the gateway: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	if g.TokenFile != "" {
		if token, err := os.ReadFile(g.TokenFile); err == nil { // without, the gateway says what it wants
			req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
		}
	}
	transport := &http.Transport{TLSClientConfig: papers}
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

// papers is how the gateway is asked: over TLS where it has a certificate,
// which is then held against the very file that the gateway has it from: the
// address asked is no name that a certificate would be made out to.
func (g LocalGateway) papers() (scheme string, _ *tls.Config, _ error) {
	if g.CertFile == "" {
		return "http", nil, nil
	}
	text, err := os.ReadFile(g.CertFile)
	if err != nil {
		return "", nil, fmt.Errorf("reading the gateway's certificate: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return "", nil, fmt.Errorf("reading the gateway's certificate: %s does not begin with one", g.CertFile)
	}
	return "https", &tls.Config{MinVersion: tls.VersionTLS12, InsecureSkipVerify: true, VerifyConnection: func(c tls.ConnectionState) error {
		if len(c.PeerCertificates) == 0 || !bytes.Equal(c.PeerCertificates[0].Raw, block.Bytes) {
			return errors.New("what answers there has another certificate than the gateway")
		}
		return nil
	}}, nil
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

package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/gateway/page"
)

// certificate writes one for 127.0.0.1, signed by itself, and its key.
func certificate(t *testing.T, dir string) (certFile, keyFile string, trust *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	one := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, one, one, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	trust = x509.NewCertPool()
	certFile, keyFile = filepath.Join(dir, "page.pem"), filepath.Join(dir, "page.key")
	for path, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: secret}} {
		text := pem.EncodeToMemory(block)
		if block.Type == "CERTIFICATE" {
			trust.AppendCertsFromPEM(text)
		}
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return certFile, keyFile, trust
}

// The daemon at an address that other machines reach: not without TLS and
// accounts, and then only for those who have one, each for what it is for; and
// what they did stands in the audit.
func TestWhoIsLetInFromElsewhere(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	certFile, keyFile, trust := certificate(t, dir)
	site := func(name, pageLine string) string {
		path := filepath.Join(dir, name)
		text := "site: Test Quay\ndata: " + filepath.Join(dir, "data") + "\npage: {" + pageLine + "}\n" + `
devices:
  io: {modbus: "tcp://127.0.0.1:1", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    adjuster: {ring: {holes: 6, pitch_mm: 3.0, uses: 3}}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 1s}
`
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pair := fmt.Sprintf("tls: {cert_file: %s, key_file: %s}", certFile, keyFile)
	accounts := "accounts_file: " + filepath.Join(dir, "accounts")
	whole := site("whole.yaml", `listen: "0.0.0.0:0", `+pair+", "+accounts)
	for _, c := range []struct {
		name, line string
		code       int
		says       string
	}{
		{"neither", `listen: "0.0.0.0:0"`, 2, "accounts_file"},
		{"TLS alone", `listen: "0.0.0.0:0", ` + pair, 2, "accounts_file"},
		{"accounts alone", `listen: "192.0.2.1:8480", ` + accounts, 2, "tls"},
		{"accounts that aren't there", `listen: "0.0.0.0:0", ` + pair + ", " + accounts, 1, "gapward account add"},
	} {
		code, _, errs := invoke(t, "run", "--config", site("partly.yaml", c.line))
		if code != c.code || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit code %d, want %d, and %q", c.name, code, c.code, errs)
		}
	}

	password := filepath.Join(dir, "password")
	const phrase = "lantern over the quay"
	if err := os.WriteFile(password, []byte(phrase+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	account := func(args ...string) string {
		t.Helper()
		code, out, errs := invoke(t, append(append([]string{"account"}, args...), "--config", whole)...)
		if code != 0 {
			t.Fatalf("account %v: %d %s", args, code, errs)
		}
		return strings.TrimSpace(out)
	}
	account("add", "R. Holm", "--role", "technician", "--password-file", password)
	account("add", "A. Lind", "--role", "admin", "--password-file", password)
	viewer, writer := account("token", "scraper", "--role", "view"), account("token", "terminal", "--role", "technician")
	if list := account("list"); !strings.Contains(list, "R. Holm") || !strings.Contains(list, "scraper") || strings.Contains(list, viewer) {
		t.Errorf("the accounts are\n%s", list)
	}

	d := begin(t, "run", "--config", whole)
	_, port, err := net.SplitHostPort(strings.TrimPrefix(d.err.find(t, time.Minute, `msg=running .* page=(https://\S+)`)[1], "https://"))
	if err != nil {
		t.Fatal(err)
	}
	base := "https://127.0.0.1:" + port
	client := func() *http.Client {
		jar, err := cookiejar.New(nil)
		if err != nil {
			t.Fatal(err)
		}
		return &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trust}, ForceAttemptHTTP2: true}, Timeout: time.Minute}
	}
	nobody, holm, lind := client(), client(), client()
	ask := func(c *http.Client, method, path, token, kind, body string, more ...string) (status int, where, text string) {
		t.Helper()
		r, err := http.NewRequest(method, base+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if kind != "" {
			r.Header.Set("Content-Type", kind)
		}
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		for i := 0; i+1 < len(more); i += 2 {
			r.Header.Set(more[i], more[i+1])
		}
		answer, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		all, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer.StatusCode, answer.Request.URL.Path, string(all)
	}
	const form, object = "application/x-www-form-urlencoded", "application/json"
	signIn := func(c *http.Client, name, password string) (int, string) {
		t.Helper()
		code, at, _ := ask(c, http.MethodPost, "/signin", "", form, url.Values{"name": {name}, "password": {password}, "to": {"/brake/quay-2/main"}}.Encode())
		return code, at
	}

	if code, at, text := ask(nobody, http.MethodGet, "/brake/quay-2/main", "", "", ""); code != 200 || at != "/signin" || strings.Contains(text, "quay-2") && !strings.Contains(text, `value="/brake/quay-2/main"`) {
		t.Errorf("nobody is shown %s, %d", at, code)
	}
	if code, _, _ := ask(nobody, http.MethodGet, "/api/brakes", "", "", ""); code != 401 {
		t.Errorf("nobody reads the interface: %d", code)
	}
	if code, at := signIn(holm, "R. Holm", "wrong password"); code != 401 || at != "/signin" {
		t.Errorf("with a wrong password: %d at %s", code, at)
	}
	if code, at := signIn(holm, "R. Holm", phrase); code != 200 || at != "/brake/quay-2/main" {
		t.Errorf("signing in: %d at %s", code, at)
	}
	entry := `{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"R. Holm"}`
	for _, c := range []struct {
		what  string
		token string
		more  []string
		want  int
	}{
		{"a viewer", viewer, nil, 403}, {"a technician", writer, nil, 201}, {"a token that isn't one", writer + "x", nil, 401},
		{"another site's page", writer, []string{"Sec-Fetch-Site", "cross-site"}, 403}, {"another site's page, by its origin", writer, []string{"Origin", "https://elsewhere.example"}, 403},
	} {
		if code, _, text := ask(nobody, http.MethodPost, "/api/ledger", c.token, object, entry, c.more...); code != c.want {
			t.Errorf("%s enters an adjustment: %d, want %d: %s", c.what, code, c.want, text)
		}
	}
	enter := url.Values{"brake": {"quay-2/main"}, "kind": {"adjustment"}, "steps": {"1"}, "at": {time.Now().Add(-time.Minute).Format("2006-01-02T15:04")}}.Encode()
	if code, _, text := ask(holm, http.MethodPost, "/enter", "", form, enter); code != 200 || !strings.Contains(text, "Entered as number 2: adjusted by one hole") {
		t.Errorf("the form's entry: %d %s", code, text)
	}
	if code, _, _ := ask(holm, http.MethodGet, "/audit", "", "", ""); code != 403 {
		t.Errorf("a technician reads the audit: %d", code)
	}
	if code, _ := signIn(lind, "A. Lind", phrase); code != 200 {
		t.Fatalf("the admin's signing in: %d", code)
	}
	for range 6 {
		_, _ = signIn(nobody, "K. Berg", "a guess")
	}
	if code, _ := signIn(nobody, "K. Berg", "a guess"); code != 429 {
		t.Errorf("after seven guesses: %d", code)
	}
	if code, _, text := ask(lind, http.MethodGet, "/audit", "", "", ""); code != 200 || !strings.Contains(text, "enter adjustment: quay-2/main, entry 2") {
		t.Errorf("the admin reads the audit: %d %s", code, text)
	}
	_, _, text := ask(lind, http.MethodGet, "/api/audit?limit=100", "", "", "")
	var audit struct{ Acts []page.Audit }
	if err := json.Unmarshal([]byte(text), &audit); err != nil {
		t.Fatal(err)
	}
	var acts []string
	for _, a := range audit.Acts {
		acts = append(acts, a.Who+" | "+a.Did+" | "+a.Outcome)
		if a.From != "127.0.0.1" || a.Time == "" {
			t.Errorf("from where, or when: %+v", a)
		}
	}
	for _, want := range []string{"R. Holm | sign in | the name or the password is wrong", "R. Holm | sign in | done", "scraper | POST /api/ledger | refused: it needs technician",
		"terminal for R. Holm | enter adjustment | done", "R. Holm | enter adjustment | done", "A. Lind | sign in | done", "R. Holm | GET /audit | refused: it needs admin"} {
		if !slices.Contains(acts, want) {
			t.Errorf("the audit doesn't have %q: %q", want, acts)
		}
	}

	// An account that is taken away is out at once, or as soon as the file has been looked at.
	account("remove", "R. Holm")
	eventually(t, time.Minute, "the removed account is let in no more", func() bool {
		_, at, _ := ask(holm, http.MethodGet, "/", "", "", "")
		return at == "/signin"
	})
	if code, err := plainly(base); err == nil && code != http.StatusBadRequest {
		t.Errorf("without TLS it answers %d", code)
	}
	old := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trust, MaxVersion: tls.VersionTLS11}}}
	if answer, err := old.Get(base + "/healthz"); err == nil {
		_ = answer.Body.Close()
		t.Error("it speaks TLS 1.1")
	}
	if code := d.stop(t); code != 0 {
		t.Errorf("it ended with %d", code)
	}
}

// plainly asks without TLS.
func plainly(base string) (int, error) {
	answer, err := http.Get(strings.Replace(base, "https:", "http:", 1) + "/healthz")
	if err != nil {
		return 0, err
	}
	return answer.StatusCode, answer.Body.Close()
}

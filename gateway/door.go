package gateway

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"gapward/configs"
	"gapward/gateway/accounts"
	"gapward/gateway/page"
)

// Files in the data directory: what commands at this machine show to be let in,
// and what people did.
const (
	localTokenName = "gapward.local"
	auditName      = "audit.jsonl"
)

// LocalGateway is how a command at this machine reaches the daemon of a site.
func LocalGateway(site *configs.Site) page.LocalGateway {
	g := page.LocalGateway{Listen: site.Page.Listen, TokenFile: filepath.Join(site.Data, localTokenName)}
	if site.Page.TLS != nil {
		g.CertFile = site.Page.TLS.CertFile
	}
	return g
}

// CheckDoor says why the page may not be served as the site file has it: what
// other machines can reach needs TLS and accounts. The site file has been
// checked for that before; this is the door itself, which stays shut.
func CheckDoor(s page.Settings) error {
	if !page.Loopback(s.Listen) && (s.TLS == nil || s.AccountsFile == "") {
		return fmt.Errorf("the page is not served on %s: what other machines can reach needs page.tls and page.accounts_file", s.Listen)
	}
	return nil
}

// door fills in who is let in to the page, and wraps the listener with TLS
// where the site file has a certificate.
func door(site *configs.Site, d *page.Deps, listener net.Listener, lg *slog.Logger, down *stack) (net.Listener, error) {
	s := site.Page
	d.Hosts = append([]string{}, s.Hosts...)
	if host, _, err := net.SplitHostPort(s.Listen); err == nil && host != "" {
		d.Hosts = append(d.Hosts, host)
	}
	if name, err := os.Hostname(); err == nil {
		d.Hosts = append(d.Hosts, name)
	}
	d.OpenToRead = page.Loopback(s.Listen)
	if s.AccountsFile != "" {
		book, err := accounts.Open(s.AccountsFile)
		if err != nil {
			return nil, fmt.Errorf("%w; gapward account add makes the file and its first account", err)
		}
		list, err := book.List()
		if err == nil && len(list) == 0 {
			err = fmt.Errorf("there is no account in %s; make one with gapward account add", s.AccountsFile)
		}
		if err != nil {
			return nil, err
		}
		d.Accounts = accounts.NewDesk(book)
	}
	token, err := localToken(site.Data)
	if err != nil {
		return nil, err
	}
	d.LocalToken = token
	a, err := openAudit(filepath.Join(site.Data, auditName), lg)
	if err != nil {
		return nil, err
	}
	down.then("audit", time.Second, a.close)
	d.Audit, d.ReadAudit = a.write, a.latest
	if s.TLS == nil {
		return listener, nil
	}
	cert, err := tls.LoadX509KeyPair(s.TLS.CertFile, s.TLS.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("reading the page's certificate: %w", err)
	}
	return tls.NewListener(listener, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}}), nil
}

// localToken makes the secret by which commands of whoever may read the data
// directory are known: new with every start.
func localToken(dir string) (string, error) {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails
	token := hex.EncodeToString(b[:])
	path := filepath.Join(dir, localTokenName)
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", fmt.Errorf("making the token of this machine's commands: %w", err)
	}
	if err := os.WriteFile(path, []byte(token), 0o600); err != nil {
		return "", fmt.Errorf("making the token of this machine's commands: %w", err)
	}
	return token, nil
}

// mostAudit is how large the audit grows before it is begun anew, bytes; the
// one before is kept.
const mostAudit = 16 << 20

// audit is the file of what people did, a JSON object a line.
type audit struct {
	lg   *slog.Logger
	path string

	mu   sync.Mutex
	file *os.File
}

func openAudit(path string, lg *slog.Logger) (*audit, error) {
	a := &audit{lg: lg, path: path}
	return a, a.open()
}

func (a *audit) open() (err error) {
	if a.file, err = os.OpenFile(a.path, os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o640); err != nil {
		return fmt.Errorf("opening the audit: %w", err)
	}
	return nil
}

// OpenAudit opens the audit of a data directory for a command that writes there
// itself, as no daemon runs: note adds a line and has it durable.
func OpenAudit(dir string) (note func(page.Audit) error, shut func() error, err error) {
	a, err := openAudit(filepath.Join(dir, auditName), nil)
	if err != nil {
		return nil, nil, err
	}
	return a.add, func() error { return a.close(context.Background()) }, nil
}

// write adds a line. What can't be written is in the log.
func (a *audit) write(e page.Audit) {
	a.lg.Info("audit", "who", e.Who, "role", e.Role, "from", e.From, "did", e.Did, "about", e.About, "outcome", e.Outcome)
	if err := a.add(e); err != nil {
		a.lg.Error("writing the audit", "error", err)
	}
}

// add adds a line and has it durable.
func (a *audit) add(e page.Audit) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if info, statErr := a.file.Stat(); statErr == nil && info.Size() > mostAudit {
		err = errors.Join(a.file.Close(), os.Rename(a.path, a.path+".1"), a.open())
	}
	if err == nil {
		_, err = a.file.WriteString(strings.ReplaceAll(string(text), "\n", " ") + "\n")
	}
	return errors.Join(err, a.file.Sync())
}

// auditTail is how much of its end is read for those who look at it, bytes.
const auditTail = 1 << 20

// latest reads the latest so many acts, the newest first. Where the file has
// just been begun anew, there are few.
func (a *audit) latest(limit int) ([]page.Audit, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	info, err := a.file.Stat()
	if err != nil {
		return nil, fmt.Errorf("reading the audit: %w", err)
	}
	from := max(info.Size()-auditTail, 0)
	text := make([]byte, info.Size()-from)
	if _, err := a.file.ReadAt(text, from); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("reading the audit: %w", err)
	}
	var acts []page.Audit
	for _, line := range slices.Backward(bytes.Split(text, []byte("\n"))) {
		var one page.Audit
		if len(acts) < limit && json.Unmarshal(line, &one) == nil { // the first line may be cut, the last is empty
			acts = append(acts, one)
		}
	}
	return acts, nil
}

func (a *audit) close(context.Context) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.file.Close()
}

// Package accounts is who may do what at a gateway: accounts with passwords,
// tokens for machines, sessions, and the limit on guessing.
//
// Accounts stand in one file, which a command writes and the daemon reads
// again whenever it has changed. The file holds no password and no token, only
// what they can be checked against.
package accounts

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

// Role is what an account may do. A greater one may do all that a lesser may.
type Role uint8

// The roles.
const (
	Nobody     Role = iota
	View            // read
	Technician      // acknowledge and shelve alarms, write into the ledger
	Admin           // read the audit besides
)

var roleNames = [...]string{"nobody", "view", "technician", "admin"}

func (r Role) String() string { return roleNames[r] }

// ParseRole reads a role's name.
func ParseRole(name string) (Role, error) {
	if at := slices.Index(roleNames[1:], name); at >= 0 {
		return Role(at + 1), nil
	}
	return Nobody, fmt.Errorf("%q is no role; the roles are view, technician and admin", name)
}

// Account is one line of the file.
type Account struct {
	Name  string
	Role  Role
	Token bool // of a machine, which shows a token in place of a password
	proof string
}

// Same reports whether it is still the account that it was: its role and what
// it proves itself with are unchanged.
func (a Account) Same(as Account) bool { return a == as }

// ErrExists and ErrUnknown are why the file is left as it is.
var (
	ErrExists  = errors.New("there is an account of that name already")
	ErrUnknown = errors.New("there is no account of that name")
)

// Book is an accounts file. It is safe for use by several goroutines.
type Book struct {
	path string

	mu     sync.Mutex
	looked time.Time
	stamp  stamp
	list   []Account
	err    error // why the file can't be read
}

type stamp struct {
	at   time.Time
	size int64
}

// lookEvery is how often the file is looked at for changes.
const lookEvery = 2 * time.Second

// Open reads an accounts file, which must be there.
func Open(path string) (*Book, error) {
	b := &Book{path: path}
	if _, err := b.accounts(time.Now()); err != nil {
		return nil, err
	}
	return b, nil
}

// Path is the file's.
func (b *Book) Path() string { return b.path }

// List lists the accounts in the order of the file.
func (b *Book) List() ([]Account, error) { return b.accounts(time.Now()) }

// accounts are those of the file as it is. A file that can't be read any more
// lets nobody in.
func (b *Book) accounts(now time.Time) ([]Account, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.looked.IsZero() && now.Sub(b.looked) < lookEvery {
		return b.list, b.err
	}
	b.looked = now
	info, err := os.Stat(b.path)
	if err == nil && b.err == nil && b.list != nil && b.stamp == (stamp{info.ModTime(), info.Size()}) {
		return b.list, nil
	}
	if b.list, b.err = read(b.path); b.err == nil && info != nil {
		b.stamp = stamp{info.ModTime(), info.Size()}
	}
	return b.list, b.err
}

func read(path string) ([]Account, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the accounts: %w", err)
	}
	list := []Account{}
	in := bufio.NewScanner(bytes.NewReader(text))
	for n := 1; in.Scan(); n++ {
		line := strings.TrimSpace(in.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		a, err := parse(line)
		if err == nil && slices.ContainsFunc(list, func(b Account) bool { return b.Name == a.Name }) {
			err = fmt.Errorf("the name %q stands there twice", a.Name)
		}
		if err != nil {
			return nil, fmt.Errorf("reading the accounts: %s:%d: %w; change the file with gapward account only", path, n, err)
		}
		list = append(list, a)
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("reading the accounts: %w", err)
	}
	return list, nil
}

// parse reads a line: name, role, sort and proof between tabs.
func parse(line string) (Account, error) {
	cells := strings.Split(line, "\t")
	if len(cells) != 4 {
		return Account{}, fmt.Errorf("the line has %d cells, want name, role, sort and proof", len(cells))
	}
	role, err := ParseRole(cells[1])
	if err != nil {
		return Account{}, err
	}
	a := Account{Name: cells[0], Role: role, Token: cells[2] == "token", proof: cells[3]}
	switch cells[2] {
	case "password":
		_, err = parseHash(a.proof)
	case "token":
		var sum []byte
		if sum, err = hex.DecodeString(a.proof); err == nil && len(sum) != sha256.Size {
			err = errors.New("the token's proof has the wrong length")
		}
	default:
		err = fmt.Errorf("the sort is %q, want password or token", cells[2])
	}
	if err == nil {
		err = CheckName(a.Name)
	}
	return a, err
}

func (a Account) line() string {
	sort := "password"
	if a.Token {
		sort = "token"
	}
	return a.Name + "\t" + a.Role.String() + "\t" + sort + "\t" + a.proof + "\n"
}

// CheckName says what is wrong with an account's name.
func CheckName(name string) error {
	switch n := utf8.RuneCountInString(name); {
	case n == 0 || n > 60 || !utf8.ValidString(name):
		return errors.New("a name has 1 to 60 characters")
	case strings.TrimSpace(name) != name || strings.HasPrefix(name, "#"):
		return errors.New("a name doesn't begin or end with a space, or begin with #")
	case strings.ContainsFunc(name, unicode.IsControl):
		return errors.New("a name is readable text on one line")
	}
	return nil
}

// Put adds an account to the file, which is made where it is missing, or where
// replace is set takes the place of the one of that name.
func Put(path string, a Account, replace bool) error {
	if err := CheckName(a.Name); err != nil {
		return err
	}
	return change(path, func(list []Account) ([]Account, error) {
		at := slices.IndexFunc(list, func(b Account) bool { return b.Name == a.Name })
		switch {
		case at < 0:
			return append(list, a), nil
		case !replace:
			return nil, ErrExists
		}
		list[at] = a
		return list, nil
	})
}

// Remove takes an account out of the file.
func Remove(path, name string) error {
	return change(path, func(list []Account) ([]Account, error) {
		kept := slices.DeleteFunc(slices.Clone(list), func(a Account) bool { return a.Name == name })
		if len(kept) == len(list) {
			return nil, ErrUnknown
		}
		return kept, nil
	})
}

// change writes the file anew, whole or not at all.
func change(path string, how func([]Account) ([]Account, error)) (err error) {
	list, err := read(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if list, err = how(list); err != nil {
		return err
	}
	text := "# Accounts of a gapward. Written by gapward account; holds no password.\n"
	for _, a := range list {
		text += a.line()
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".accounts-*")
	if err != nil {
		return fmt.Errorf("writing the accounts: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name())
		}
	}()
	if info, statErr := os.Stat(path); statErr == nil {
		_ = f.Chmod(info.Mode().Perm()) // a group that may read it keeps that
	}
	_, err = f.WriteString(text)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("writing the accounts: %w", err)
	}
	return nil
}

// NewToken makes an account of a machine and its token, which is shown once.
func NewToken(name string, role Role) (a Account, token string) {
	token = "gw_" + secret()
	return Account{Name: name, Role: role, Token: true, proof: proofOf(token)}, token
}

// secret is 256 random bits as text.
func secret() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// proofOf is what a secret of full strength is kept as: nobody can guess one,
// so that a quick hash will do.
func proofOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// ByToken finds the machine that shows a token.
func (b *Book) ByToken(token string) (Account, bool) {
	list, err := b.accounts(time.Now())
	if err != nil || token == "" {
		return Account{}, false
	}
	proof, found := []byte(proofOf(token)), Account{}
	for _, a := range list {
		if a.Token && subtle.ConstantTimeCompare(proof, []byte(a.proof)) == 1 {
			found = a
		}
	}
	return found, found.Name != ""
}

// ByName finds an account of a person.
func (b *Book) ByName(name string) (Account, bool) {
	list, err := b.accounts(time.Now())
	if err != nil {
		return Account{}, false
	}
	for _, a := range list {
		if a.Name == name && !a.Token {
			return a, true
		}
	}
	return Account{}, false
}

package accounts

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"
)

const phrase = "lantern over the quay"

func bookWith(t *testing.T, accounts ...Account) *Book {
	t.Helper()
	path := filepath.Join(t.TempDir(), "accounts")
	for _, a := range accounts {
		if err := Put(path, a, false); err != nil {
			t.Fatal(err)
		}
	}
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func person(t *testing.T, name string, role Role) Account {
	t.Helper()
	a, err := NewPassword(name, role, phrase)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// cheap is a person whose password costs little to check: what is remembered of
// guesses doesn't depend on what each of them cost.
func cheap(t *testing.T, name string, role Role) Account {
	t.Helper()
	a, salt := person(t, name, role), make([]byte, saltBytes)
	a.proof = hash{8, 1, 1, salt, key(phrase, salt, 8, 1, 1)}.String()
	return a
}

func TestPasswordsAreHashedWithArgon2id(t *testing.T) {
	a, again := person(t, "R. Holm", Technician), person(t, "R. Holm", Technician)
	if a.proof == again.proof {
		t.Error("the same password twice gives the same hash: there is no salt")
	}
	if !strings.HasPrefix(a.proof, "$argon2id$v=19$m=19456,t=2,p=1$") || strings.Contains(a.proof, phrase) {
		t.Errorf("the proof is %s", a.proof)
	}
	if !a.matches(phrase) || a.matches(phrase+".") || a.matches("") {
		t.Error("the password is not told from another")
	}
	// The library by itself gives the same.
	h, err := parseHash(a.proof)
	if err != nil {
		t.Fatal(err)
	}
	if want := argon2.IDKey([]byte(phrase), h.salt, 2, 19*1024, 1, 32); string(want) != string(h.key) {
		t.Error("it is not what argon2id gives")
	}
	for _, bad := range []string{"", "$argon2i$v=19$m=19456,t=2,p=1$YWFhYWFhYWE$" + strings.Repeat("A", 43), strings.Replace(a.proof, "m=19456", "m=99999999", 1), strings.Replace(a.proof, "t=2", "t=0", 1), a.proof[:len(a.proof)-3]} {
		if _, err := parseHash(bad); err == nil {
			t.Errorf("%q is taken for a hash", bad)
		}
	}
}

func TestPoorPasswordsAreRefused(t *testing.T) {
	for password, want := range map[string]string{"short": "too short", strings.Repeat("a", 20): "again and again", "xx r. holm xxxxx": "account's name", strings.Repeat("ab", 200): "longer than"} {
		if err := CheckPassword("R. Holm", password); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", password, err, want)
		}
	}
}

func TestTheFileIsWrittenWholeAndReadStrictly(t *testing.T) {
	b := bookWith(t, person(t, "R. Holm", Technician))
	machine, token := NewToken("scraper", View)
	if err := Put(b.Path(), machine, false); err != nil {
		t.Fatal(err)
	}
	if err := Put(b.Path(), machine, false); !errors.Is(err, ErrExists) {
		t.Errorf("the same name twice: %v", err)
	}
	if err := Remove(b.Path(), "nobody"); !errors.Is(err, ErrUnknown) {
		t.Errorf("removing nobody: %v", err)
	}
	if info, err := os.Stat(b.Path()); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file's rights are %v, %v", info.Mode(), err)
	}
	text, err := os.ReadFile(b.Path())
	if err != nil || strings.Contains(string(text), token) || strings.Contains(string(text), phrase) {
		t.Errorf("the file holds a secret, or %v", err)
	}
	again, err := Open(b.Path())
	if err != nil {
		t.Fatal(err)
	}
	if a, ok := again.ByToken(token); !ok || a.Name != "scraper" || a.Role != View {
		t.Errorf("the token is %+v, %v", a, ok)
	}
	for _, wrong := range []string{"", token + "x", "gw_", phrase} {
		if _, ok := again.ByToken(wrong); ok {
			t.Errorf("%q is a token", wrong)
		}
	}
	if _, ok := again.ByName("scraper"); ok {
		t.Error("a machine may sign in like a person")
	}
	for _, line := range []string{"x\tview\tpassword", "x\tking\tpassword\t" + person(t, "x y", View).proof, "x\tview\tpassword\tplain", "x\tview\ttoken\tabcd", "R. Holm\tview\ttoken\t" + machine.proof, "x\tview\tkey\t" + machine.proof} {
		if err := os.WriteFile(b.Path(), append(text, line+"\n"...), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(b.Path()); err == nil || !strings.Contains(err.Error(), ":4: ") {
			t.Errorf("%q: %v", line, err)
		}
	}
}

func TestSessions(t *testing.T) {
	b := bookWith(t, person(t, "R. Holm", Technician), person(t, "wall", View))
	d := NewDesk(b)
	now := time.Now()
	s, a, err := d.SignIn("R. Holm", phrase, "192.0.2.7", now)
	if err != nil || a.Role != Technician || len(s) < 40 {
		t.Fatalf("%q %+v %v", s, a, err)
	}
	if got, ok := d.Of(s, now.Add(11*time.Hour)); !ok || got.Name != "R. Holm" {
		t.Error("the session is not known")
	}
	for _, wrong := range []string{"", s + "x", proofOf(s)} {
		if _, ok := d.Of(wrong, now); ok {
			t.Errorf("%q is a session", wrong)
		}
	}
	if _, ok := d.Of(s, now.Add(11*time.Hour+13*time.Hour)); ok {
		t.Error("a session that nobody used for half a day goes on")
	}
	wall, _, err := d.SignIn("wall", phrase, "192.0.2.7", now)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := d.Of(wall, now.Add(13*time.Hour)); !ok {
		t.Error("a page on the wall is signed out overnight")
	}
	s, _, _ = d.SignIn("R. Holm", phrase, "192.0.2.7", now)
	d.SignOut(s)
	if _, ok := d.Of(s, now); ok {
		t.Error("signed out, the session goes on")
	}
	// Another password ends what was signed in with the old one.
	s, _, _ = d.SignIn("R. Holm", phrase, "192.0.2.7", now)
	if err := Put(b.Path(), person(t, "R. Holm", Technician), true); err != nil {
		t.Fatal(err)
	}
	b.mu.Lock()
	b.looked = time.Time{} // as if the time between two looks had passed
	b.mu.Unlock()
	if _, ok := d.Of(s, now); ok {
		t.Error("with another password the session goes on")
	}
}

// guess sends wrong passwords and reports how many were looked at, and how long
// the last had to wait.
func guess(t *testing.T, d *Desk, name, from string, times int, now time.Time) (looked int, wait time.Duration) {
	t.Helper()
	for range times {
		_, _, err := d.SignIn(name, "wrong password", from, now)
		var slow *SlowDownError
		switch {
		case errors.Is(err, ErrWrong):
			looked++
		case errors.As(err, &slow):
			wait = slow.After
		default:
			t.Fatal(err)
		}
	}
	return looked, wait
}

func TestGuessingIsSlowed(t *testing.T) {
	d := NewDesk(bookWith(t, cheap(t, "R. Holm", Technician)))
	now := time.Now()
	if n, wait := guess(t, d, "R. Holm", "192.0.2.50", mostWrong+2, now); n != mostWrong || wait > wrongWithin || wait < wrongWithin-time.Minute {
		t.Errorf("%d guesses from one address were looked at, want %d; the next waits %v", n, mostWrong, wait)
	}
	var slow *SlowDownError
	if _, _, err := d.SignIn("r. holm", phrase, "192.0.2.50", now); !errors.As(err, &slow) {
		t.Errorf("the right password after %d wrong ones: %v", mostWrong, err)
	}
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.50", now.Add(wrongWithin)); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	looked := 0
	for i := range 40 {
		n, _ := guess(t, d, fmt.Sprintf("guess %d", i), "192.0.2.60", 1, now)
		looked += n
	}
	if looked != mostFromOne {
		t.Errorf("of 40 names from one address %d were looked at, want %d", looked, mostFromOne)
	}
	// An unknown name is treated like a known one.
	if n, _ := guess(t, d, "nobody", "192.0.2.70", mostWrong+2, now); n != mostWrong {
		t.Errorf("%d guesses for an unknown name were looked at, want %d", n, mostWrong)
	}
	// A network of IPv6 is one address; zones and mapped addresses change nothing.
	looked = 0
	for i := range 10 {
		n, _ := guess(t, d, "v6", fmt.Sprintf("2001:db8::%d", i), 1, now)
		m, _ := guess(t, d, "v4", []string{"192.0.2.80", "::ffff:192.0.2.80"}[i%2], 1, now)
		looked += n + m
	}
	if looked != 2*mostWrong {
		t.Errorf("%d guesses were looked at from other addresses of the same network, want %d", looked, 2*mostWrong)
	}
}

// Nobody can lock somebody else out by guessing in their name.
func TestGuessesOfOthersLockNobodyOut(t *testing.T) {
	now := time.Now()
	desk := func() *Desk { return NewDesk(bookWith(t, cheap(t, "R. Holm", Admin))) }
	d := desk()
	guess(t, d, "R. Holm", "192.0.2.7", 2*mostWrong, now)
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.8", now); err != nil {
		t.Errorf("after another address has guessed: %v", err)
	}
	// From a great many addresses: guessing is stopped …
	d = desk()
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.8", now); err != nil {
		t.Fatal(err)
	}
	looked := 0
	for i := range 20 {
		n, _ := guess(t, d, "R. Holm", fmt.Sprintf("198.51.100.%d", i), mostWrong, now)
		looked += n
	}
	if looked != mostForName {
		t.Errorf("from twenty addresses %d guesses for one name were looked at, want %d", looked, mostForName)
	}
	// … and not those who have come from where they sit before, or sit at the
	// gateway.
	for _, from := range []string{"192.0.2.8", "127.0.0.1", "::1"} {
		if _, _, err := d.SignIn("R. Holm", phrase, from, now); err != nil {
			t.Errorf("from %s while others guess: %v", from, err)
		}
	}
	var slow *SlowDownError
	if _, _, err := d.SignIn("R. Holm", phrase, "203.0.113.9", now); !errors.As(err, &slow) {
		t.Errorf("from an address that is new: %v", err)
	}
	// Nor by guessing other names from behind the same address.
	d = desk()
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.8", now); err != nil {
		t.Fatal(err)
	}
	for i := range 40 {
		guess(t, d, fmt.Sprintf("guess %d", i), "192.0.2.8", 1, now)
	}
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.8", now); err != nil {
		t.Errorf("behind one address with who guesses: %v", err)
	}
	if n, _ := guess(t, d, "R. Holm", "192.0.2.8", 2*mostWrong, now); n != mostWrong {
		t.Errorf("one's own mistakes: %d were looked at, want %d", n, mostWrong)
	}
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.8", now.Add(knownFor+time.Hour)); err != nil {
		t.Errorf("a month later: %v", err)
	}
}

// However many names and addresses are tried, what is remembered is bounded, and
// the guesses of late are not among what is forgotten.
func TestWhatIsRememberedOfGuessesIsBounded(t *testing.T) {
	g, now := newGuesses(), time.Now()
	for i := range 3 * mostWatched {
		at := now.Add(time.Duration(i) * time.Millisecond)
		g.count(attempt{fmt.Sprintf("guess %d", i), fmt.Sprintf("from %d", i)}, at)
		g.right(attempt{fmt.Sprintf("known %d", i), "here"}, at)
		if i == 2*mostWatched {
			for range mostWrong {
				g.count(attempt{"r. holm", "there"}, at)
			}
		}
		if i == 2*mostWatched+100 && g.wait(attempt{"r. holm", "there"}, at) == 0 {
			t.Error("many other names make room for more guesses")
		}
	}
	if len(g.wrong) > mostWatched || len(g.known) > mostWatched {
		t.Errorf("%d and %d are remembered, want at most %d", len(g.wrong), len(g.known), mostWatched)
	}
}

// An unknown name takes as much work as a known one, so that the time of the
// answer doesn't tell which names there are.
func TestAnUnknownNameIsCheckedToo(t *testing.T) {
	h, err := parseHash(nobody().proof)
	known, err2 := parseHash(person(t, "R. Holm", View).proof)
	if err != nil || err2 != nil || h.kib != known.kib || h.passes != known.passes || h.lanes != known.lanes {
		t.Errorf("nobody's password costs %+v (%v), somebody's %+v (%v)", h, err, known, err2)
	}
}

// Whoever sends many guesses at the same time gets no more of them looked at.
func TestGuessesAtTheSameTimeAreSlowedToo(t *testing.T) {
	d := NewDesk(bookWith(t, cheap(t, "R. Holm", Technician)))
	now := time.Now()
	var looked, slowed atomic.Int64
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			_, _, err := d.SignIn("R. Holm", fmt.Sprintf("wrong password %d", i), "192.0.2.7", now)
			var slow *SlowDownError
			switch {
			case errors.Is(err, ErrWrong):
				looked.Add(1)
			case errors.As(err, &slow):
				slowed.Add(1)
			}
		})
	}
	all.Wait()
	if looked.Load() != mostWrong || slowed.Load() != 40-mostWrong {
		t.Errorf("%d of 40 guesses were looked at and %d slowed, want %d and %d", looked.Load(), slowed.Load(), mostWrong, 40-mostWrong)
	}
}

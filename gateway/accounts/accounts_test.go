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

func TestGuessingIsSlowed(t *testing.T) {
	d := NewDesk(bookWith(t, person(t, "R. Holm", Technician)))
	now := time.Now()
	for i := range mostWrong {
		if _, _, err := d.SignIn("R. Holm", "wrong password", fmt.Sprintf("192.0.2.%d", i), now); !errors.Is(err, ErrWrong) {
			t.Fatalf("attempt %d: %v", i, err)
		}
	}
	var slow *SlowDownError
	if _, _, err := d.SignIn("r. holm", phrase, "192.0.2.99", now); !errors.As(err, &slow) || slow.After > wrongWithin || slow.After < wrongWithin-time.Minute {
		t.Errorf("after %d wrong ones for one name: %v", mostWrong, err)
	}
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.99", now.Add(wrongWithin)); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	for i := range mostWrong {
		_, _, _ = d.SignIn(fmt.Sprintf("guess %d", i), "wrong password", "192.0.2.50", now)
	}
	if _, _, err := d.SignIn("R. Holm", phrase, "192.0.2.50", now); !errors.As(err, &slow) {
		t.Errorf("after %d wrong ones from one address: %v", mostWrong, err)
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
	d := NewDesk(bookWith(t, person(t, "R. Holm", Technician)))
	now := time.Now()
	var looked, slowed atomic.Int64
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			_, _, err := d.SignIn("R. Holm", fmt.Sprintf("wrong password %d", i), fmt.Sprintf("192.0.2.%d", i), now)
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

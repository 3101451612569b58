package accounts

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"
)

// How long sessions last: without a request, and at most. Who only reads may
// leave a page on the wall.
const (
	idleTime    = 12 * time.Hour
	wallTime    = 30 * 24 * time.Hour
	mostTime    = 7 * 24 * time.Hour
	mostOpen    = 1000 // sessions; the one used longest ago ends for a new one
	touchedOnly = time.Minute
)

// ErrWrong is a name or a password that isn't right; which of both is not told.
var ErrWrong = errors.New("the name or the password is wrong")

// SlowDownError is why a sign-in was not even looked at.
type SlowDownError struct{ After time.Duration }

func (e *SlowDownError) Error() string {
	return fmt.Sprintf("too many wrong passwords; wait %d minutes", int(math.Ceil(e.After.Minutes())))
}

// Desk signs people in and knows their sessions. Sessions are in memory: a
// restart ends them. It is safe for use by several goroutines.
type Desk struct {
	book *Book
	turn chan struct{} // one check of a password at a time: each takes 19 MiB

	mu       sync.Mutex
	sessions map[string]*session // by the proof of their secret
	guesses  guesses
}

type session struct {
	account     Account
	began, used time.Time
}

// NewDesk makes the desk for a book.
func NewDesk(b *Book) *Desk {
	return &Desk{book: b, turn: make(chan struct{}, 1), sessions: map[string]*session{}, guesses: newGuesses()}
}

// Book is the one that the desk was made for.
func (d *Desk) Book() *Book { return d.book }

// SignIn checks a password and begins a session, whose secret it returns. from
// is the address that the request comes from.
func (d *Desk) SignIn(name, password, from string, now time.Time) (secretText string, a Account, err error) {
	at := attemptOf(name, from)
	if wait := d.mustWait(at, now); wait > 0 {
		return "", Account{}, &SlowDownError{wait}
	}
	a, known := d.book.ByName(name)
	if !known {
		a = nobody() // takes as long as somebody would
	}
	if err := d.check(known, a, password, at, now); err != nil {
		return "", Account{}, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.guesses.right(at, now)
	if len(d.sessions) >= mostOpen {
		d.endOldest()
	}
	secretText = secret()
	d.sessions[proofOf(secretText)] = &session{account: a, began: now, used: now}
	return secretText, a, nil
}

// check looks at a password in its turn. How many were wrong is looked at once
// more then: many may have come at the same time.
func (d *Desk) check(known bool, a Account, password string, at attempt, now time.Time) error {
	d.turn <- struct{}{}
	defer func() { <-d.turn }()
	if wait := d.mustWait(at, now); wait > 0 {
		return &SlowDownError{wait}
	}
	if right := len(password) <= longestPassword && a.matches(password); !known || !right {
		d.countWrong(at, now)
		return ErrWrong
	}
	return nil
}

// nobody is an account that no password opens.
func nobody() Account {
	h := hash{costKiB, costPasses, costLanes, make([]byte, saltBytes), make([]byte, keyBytes)}
	return Account{proof: h.String()}
}

func (d *Desk) mustWait(at attempt, now time.Time) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.guesses.wait(at, now)
}

func (d *Desk) countWrong(at attempt, now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.guesses.count(at, now)
}

func (d *Desk) endOldest() {
	var oldest string
	for k, s := range d.sessions {
		if oldest == "" || s.used.Before(d.sessions[oldest].used) {
			oldest = k
		}
	}
	delete(d.sessions, oldest)
}

// Of is whose session a secret is. One whose account has been changed or
// removed meanwhile is over.
func (d *Desk) Of(secretText string, now time.Time) (Account, bool) {
	if secretText == "" {
		return Account{}, false
	}
	k := proofOf(secretText)
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.sessions[k]
	if s == nil {
		return Account{}, false
	}
	idle, most := idleTime, mostTime
	if s.account.Role == View {
		idle, most = wallTime, wallTime
	}
	a, known := d.book.ByName(s.account.Name)
	if !known || !a.Same(s.account) || now.Sub(s.used) > idle || now.Sub(s.began) > most {
		delete(d.sessions, k)
		return Account{}, false
	}
	if now.Sub(s.used) > touchedOnly {
		s.used = now
	}
	return a, true
}

// SignOut ends a session.
func (d *Desk) SignOut(secretText string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.sessions, proofOf(secretText))
}

package accounts

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// The cost of one check of a password: argon2id with 19 MiB, two passes and one
// lane, the least that OWASP's Password Storage Cheat Sheet recommends: a box
// of 256 MB has no more to spare.
const (
	costKiB    = 19 * 1024
	costPasses = 2
	costLanes  = 1
	saltBytes  = 16
	keyBytes   = 32
)

// shortestPassword is in characters; longestPassword in bytes, so that nobody
// has the gateway hash a book.
const (
	shortestPassword = 12
	longestPassword  = 256
)

// CheckPassword says what is wrong with a password that somebody wants. Length
// is all that is asked for, as in NIST SP 800-63B: rules on characters make
// passwords worse.
func CheckPassword(name, password string) error {
	switch {
	case utf8.RuneCountInString(password) < shortestPassword:
		return fmt.Errorf("the password is too short: it needs %d characters or more; a few words will do", shortestPassword)
	case len(password) > longestPassword:
		return fmt.Errorf("the password is longer than %d bytes", longestPassword)
	case strings.Contains(strings.ToLower(password), strings.ToLower(name)):
		return errors.New("the password contains the account's name")
	case strings.Count(password, password[:1]) == len(password):
		return errors.New("the password is one character again and again")
	}
	return nil
}

// NewPassword makes an account of a person.
func NewPassword(name string, role Role, password string) (Account, error) {
	if err := CheckPassword(name, password); err != nil {
		return Account{}, err
	}
	var salt [saltBytes]byte
	_, _ = rand.Read(salt[:]) // never fails
	return Account{Name: name, Role: role, proof: hash{costKiB, costPasses, costLanes, salt[:], key(password, salt[:], costKiB, costPasses, costLanes)}.String()}, nil
}

// hash is a hashed password in the PHC string format.
type hash struct {
	kib, passes uint32
	lanes       uint8
	salt, key   []byte
}

func key(password string, salt []byte, kib, passes uint32, lanes uint8) []byte {
	return argon2.IDKey([]byte(password), salt, passes, kib, lanes, keyBytes)
}

func (h hash) String() string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.kib, h.passes, h.lanes, b64.EncodeToString(h.salt), b64.EncodeToString(h.key))
}

func parseHash(text string) (h hash, err error) {
	cells := strings.Split(text, "$")
	if len(cells) != 6 || cells[0] != "" || cells[1] != "argon2id" || cells[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return hash{}, errors.New("the password's proof is not argon2id, version 19")
	}
	if _, err := fmt.Sscanf(cells[3], "m=%d,t=%d,p=%d", &h.kib, &h.passes, &h.lanes); err != nil {
		return hash{}, fmt.Errorf("the password's proof has no cost: %w", err)
	}
	// What a hand has written there must not have the gateway work for minutes.
	if h.kib < 8 || h.kib > 1<<20 || h.passes < 1 || h.passes > 64 || h.lanes < 1 {
		return hash{}, errors.New("the cost of the password's proof is out of bounds")
	}
	if h.salt, err = base64.RawStdEncoding.DecodeString(cells[4]); err == nil {
		h.key, err = base64.RawStdEncoding.DecodeString(cells[5])
	}
	if err != nil || len(h.salt) < 8 || len(h.key) != keyBytes {
		return hash{}, errors.New("the password's proof is damaged")
	}
	return h, nil
}

// matches reports whether a password is the account's.
func (a Account) matches(password string) bool {
	h, err := parseHash(a.proof)
	if err != nil || a.Token {
		return false
	}
	return subtle.ConstantTimeCompare(h.key, key(password, h.salt, h.kib, h.passes, h.lanes)) == 1
}

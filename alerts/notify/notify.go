// Package notify tells people and other systems of alarms: by webhook, by
// mail or by MQTT.
//
// A [Notifier] delivers what it is given, or says what it could not deliver
// and whether trying again can help. It keeps no queue: when to try, and what
// is next, is for the one who calls it, from a cursor over the stored alarms.
// What is delivered twice can be told by the far end, for every notice carries
// a key that is the same each time.
package notify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"gapward/alerts"
)

// Notice is one event of an alarm, on its way to people.
type Notice struct {
	ID int64 // of the stored event
	alerts.Event
	Site string
	Link string // to the page that shows it; empty where there is none
}

// Key is the same each time the notice is delivered, and no other notice's. It
// holds the event's time besides the id, for a new database counts anew.
func (n Notice) Key() string {
	return digest(n.Site) + "-" + strconv.FormatInt(n.ID, 10) + "-" + strconv.FormatInt(n.AtNS, 10)
}

// digest stands for names in places that bear only plain characters.
func digest(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return hex.EncodeToString(sum[:8])
}

// A Notifier delivers notices.
//
// Notify delivers them in order and stops at the first that fails. The error
// is then an [*Error] with that notice's id: those before it are delivered.
// Notify returns soon after ctx ends. It is called by one goroutine at a time.
type Notifier interface {
	// Name says where the notices go, for logs and metrics, without secrets.
	Name() string
	Notify(ctx context.Context, notices []Notice) error
}

// Error is a notice that wasn't delivered.
type Error struct {
	Sink       string        // the notifier's name
	NoticeID   int64         // the notice; those before it were delivered
	Permanent  bool          // the far end will never take it as it is
	RetryAfter time.Duration // how long the far end wants to be left alone; 0 where it doesn't say
	Err        error
}

func (e *Error) Error() string {
	return fmt.Sprintf("delivering alarm %d to %s: %v", e.NoticeID, e.Sink, e.Err)
}

func (e *Error) Unwrap() error { return e.Err }

// Permanent reports whether trying again is useless: the far end understood
// and refused. A far end that is away, busy or broken may come back.
func Permanent(err error) bool {
	var e *Error
	return errors.As(err, &e) && e.Permanent
}

// New makes the notifier that the settings describe. It reads the files they
// name.
func New(s Settings) (Notifier, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	switch {
	case s.Webhook != nil:
		return NewWebhook(*s.Webhook)
	case s.MQTT != nil:
		return NewMQTT(*s.MQTT)
	}
	return NewMail(*s.Mail)
}

// readSecret reads a secret from its file, without the line end that editors
// add.
func readSecret(path string) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	secret := strings.TrimRight(string(text), "\r\n")
	if secret == "" {
		return "", fmt.Errorf("%s is empty", path)
	}
	return secret, nil
}

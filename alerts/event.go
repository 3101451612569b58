// Package alerts is the life of an alarm: a pure step over its state, what was
// found and the time. The states and words are those of IEC 62682.
package alerts

import (
	"gapward/analysis"
)

// State of an alarm.
type State uint8

// The states. Returned means that the condition went away before anybody
// acknowledged it. The last three hold an alarm back from people: its condition
// is still watched, and what becomes of it is stored, but nobody is called.
const (
	Normal         State = iota
	Unacknowledged       // the condition is present and nobody has acknowledged it
	Acknowledged         // present, acknowledged
	Returned             // gone, not acknowledged
	Shelved              // held back by a person until a time, for a reason
	Suppressed           // held back by design: a standing cause explains it
	NotInService         // held back because its brake is out of service
)

var stateNames = [...]string{"normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "suppressed", "out-of-service"}

func (s State) String() string { return stateNames[s] }

// Active reports whether the condition is present in this state and people are
// called for it.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// Held reports whether the alarm is held back from people in this state.
func (s State) Held() bool { return s >= Shelved }

// Change is what an event is.
type Change uint8

// The changes. Raised and Cleared tell of the condition; while the alarm is
// held back they are stored like any other and nobody is called. Of the ends
// of a hold, each leaves the alarm unacknowledged where its condition stands,
// and normal where it doesn't.
const (
	Raised Change = iota + 1
	Cleared
	Acked
	ShelvedBy    // by a person, until UntilNS
	Unshelved    // its time is up, or a person has ended it
	SuppressedBy // its cause stands
	Unsuppressed // its cause is over
	PutOut       // its brake is out of service …
	PutIn        // … and back
	Reminded     // it stands still
	Escalated    // nobody has acknowledged it for too long
)

var changeNames = [...]string{"", "raised", "cleared", "acknowledged", "shelved", "unshelved", "suppressed", "unsuppressed", "out-of-service", "in-service", "reminded", "escalated"}

func (c Change) String() string { return changeNames[c] }

// Marks are what else is known of an alarm after an event: all that it takes
// to go on from there after a restart.
type Marks uint8

// The marks.
const (
	MarkStanding   Marks = 1 << iota // the condition is present, delays included
	MarkShelved                      // a person holds it back
	MarkSuppressed                   // a cause holds it back
	MarkOut                          // its brake being out of service holds it back
	MarkEscalated                    // the second address has been told
	MarkQuiet                        // nobody was called for it alone: it came in a flood, or held back
)

// Event is one change of one alarm, in the figures of the finding that caused
// it.
type Event struct {
	AtNS      int64
	Brake     string // empty for the gateway's own and for a device's
	Device    string // of a device's alarm: which one
	Condition analysis.Condition
	Change    Change
	State     State // after the change
	Marks     Marks // after the change
	SinceNS   int64 // when the condition appeared
	CalledNS  int64 // when people were called for it anew, while it is unacknowledged; 0 otherwise
	UntilNS   int64 // of a shelved alarm: when that ends; 0 otherwise
	Value     float64
	U         float64
	Limit     float64
	Unit      string
	Signal    string // of a signal's condition: which one
	By        string // who acknowledged, shelved or ended it
	Reason    string // why somebody shelved it, or what holds it back
	Detail    string // why, in words, where the condition alone does not say
}

// Key tells an alarm from all others of a site.
type Key struct {
	Brake, Device string
	Condition     analysis.Condition
}

// Key is that of the event's alarm.
func (e Event) Key() Key { return Key{e.Brake, e.Device, e.Condition} }

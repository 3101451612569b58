// Package alerts is the life of an alarm: a pure step over its state, what was
// found and the time. The states and words are those of IEC 62682.
package alerts

import (
	"gapward/analysis"
)

// State of an alarm.
type State uint8

// The states. Returned means that the condition went away before anybody
// acknowledged it.
const (
	Normal         State = iota
	Unacknowledged       // the condition is present and nobody has acknowledged it
	Acknowledged         // present, acknowledged
	Returned             // gone, not acknowledged
)

var stateNames = [...]string{"normal", "unacknowledged", "acknowledged", "returned-unacknowledged"}

func (s State) String() string { return stateNames[s] }

// Active reports whether the condition is present in this state.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// Change is what an event is.
type Change uint8

// The changes.
const (
	Raised Change = iota + 1
	Cleared
	Acked
)

var changeNames = [...]string{"", "raised", "cleared", "acknowledged"}

func (c Change) String() string { return changeNames[c] }

// Event is one change of one alarm, in the figures of the finding that caused
// it.
type Event struct {
	AtNS      int64
	Brake     string // empty for the gateway's own
	Condition analysis.Condition
	Change    Change
	State     State // after the change
	SinceNS   int64 // when the condition appeared
	Value     float64
	U         float64
	Limit     float64
	Unit      string
	Signal    string // of a signal's condition: which one
	By        string // who acknowledged
	Detail    string // why, in words, where the condition alone does not say
}

package page

import (
	"context"
	"errors"

	"gapward/alerts"
)

// Act is what a person does to an alarm.
type Act struct {
	Key     alerts.Key
	Do      alerts.Change // Acked, ShelvedBy or Unshelved
	By      string
	UntilNS int64  // of shelving
	Reason  string // of shelving
}

// ErrNothingToDo is why an act on an alarm came to nothing: there is no such
// alarm, or it is not in a state for it. It may have ended meanwhile.
var ErrNothingToDo = errors.New("there is nothing to do: the alarm has ended or changed meanwhile")

// Alarms is where acts on alarms go. Its method may be called from several
// goroutines at a time.
type Alarms interface {
	// Act does it and returns what came of it once that is stored. An error
	// that is [ErrNothingToDo] is nobody's fault.
	Act(ctx context.Context, a Act) (alerts.Event, error)
}

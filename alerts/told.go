package alerts

// Told reports whether people are told of an event: by the first addresses,
// or, where second is set, by those that hear of it only when the first don't
// acknowledge.
//
// Nobody is told of an alarm that is held back, or that came in a flood, for
// which there is the flood's own event.
func Told(e Event, second bool) bool {
	if second && e.Marks&MarkEscalated == 0 {
		return false
	}
	switch e.Change {
	case Raised, Unsuppressed, PutIn, Unshelved:
		return e.State == Unacknowledged && e.Marks&MarkQuiet == 0
	case Cleared, Acked:
		return !e.State.Held() && e.Marks&MarkQuiet == 0
	case ShelvedBy:
		return true
	case Reminded:
		return Flood(e.Condition) || !e.State.Held()
	case Escalated:
		return second
	}
	return false
}

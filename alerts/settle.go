package alerts

// Settled is the alarm as its latest event left it, for a pause in which nobody
// measured: a delay that was running is given up, and begins anew with the next
// finding. It is what [Restore] makes of that event.
func (a Alarm) Settled() Alarm {
	a.present, a.changeNS, a.graceNS = a.standing, 0, 0
	return a
}

package modbus

import "time"

// A queue holds polls, the first by some order at its front. It is a binary
// heap.
type queue struct {
	polls  []*poll
	before func(a, b *poll) bool
}

// bySlot orders polls by when they are next due.
func bySlot(a, b *poll) bool {
	if !a.next.Equal(b.next) {
		return a.next.Before(b.next)
	}
	return a.sooner(b)
}

// byDeadline orders polls by when they must be done: their next slot. Those of
// one deadline follow the plan, so that one brake's signals are read back to
// back. A unit that has but a share of the bus comes behind them, and its own
// requests take turns: held back together they are due together, and else the
// first of them would be the only one that is ever asked.
func byDeadline(a, b *poll) bool {
	if !a.deadline.Equal(b.deadline) {
		return a.deadline.Before(b.deadline)
	}
	if slow := a.shares(); slow != b.shares() {
		return !slow
	} else if slow && !a.begun.Equal(b.begun) {
		return a.begun.Before(b.begun)
	}
	return a.sooner(b)
}

// shares reports whether the poll's unit is too slow for the others on its bus.
func (p *poll) shares() bool { return p.unit != nil && !p.unit.resumeAt.IsZero() }

// sooner reports whether p comes before q in the plan; parts of one block come
// in the order of their addresses.
func (p *poll) sooner(q *poll) bool {
	return p.rank < q.rank || p.rank == q.rank && p.Address < q.Address
}

func (q *queue) empty() bool { return len(q.polls) == 0 }

// firstSlot is when the first poll is due; ok is false where there is none.
func (q *queue) firstSlot() (at time.Time, ok bool) {
	if q.empty() {
		return time.Time{}, false
	}
	return q.polls[0].next, true
}

func (q *queue) push(p *poll) {
	q.polls = append(q.polls, p)
	for i := len(q.polls) - 1; i > 0; {
		parent := (i - 1) / 2
		if !q.before(q.polls[i], q.polls[parent]) {
			return
		}
		q.polls[i], q.polls[parent] = q.polls[parent], q.polls[i]
		i = parent
	}
}

func (q *queue) pop() *poll {
	p := q.polls[0]
	last := len(q.polls) - 1
	q.polls[0] = q.polls[last]
	q.polls[last] = nil
	q.polls = q.polls[:last]
	for i := 0; ; {
		least := i
		for c := 2*i + 1; c <= 2*i+2 && c < last; c++ {
			if q.before(q.polls[c], q.polls[least]) {
				least = c
			}
		}
		if least == i {
			return p
		}
		q.polls[i], q.polls[least] = q.polls[least], q.polls[i]
		i = least
	}
}

package modbus

import (
	"slices"
	"time"

	"gapward/sensors"
)

// playSpan and playRequests bound how much of a plan is played through. Most
// plans repeat themselves much sooner.
const (
	playSpan     = time.Minute
	playRequests = 200_000
)

// play plays the plan through, as a [Source] carries it out with devices that
// take as long as is known or assumed: take is told of each request when it was
// due, when it is asked and when it has been answered, counted from the start.
func (p Plan) play(assumed time.Duration, take func(request int, due, asked, answered time.Duration)) {
	start := time.Unix(0, 0)
	end := start.Add(playSpan)
	waiting, due := queue{before: bySlot}, queue{before: byDeadline}
	for i, r := range p.Requests {
		waiting.push(&poll{Request: r, rank: i, next: start})
	}
	now := start
	for n := 0; n < playRequests && now.Before(end); {
		for at, some := waiting.firstSlot(); some && !at.After(now); at, some = waiting.firstSlot() {
			q := waiting.pop()
			q.deadline = q.next.Add(q.Period)
			due.push(q)
		}
		if due.empty() {
			at, some := waiting.firstSlot()
			if !some {
				break
			}
			now = at
			continue
		}
		q := due.pop()
		asked := now
		now = now.Add(p.busy(q.rank, assumed))
		take(q.rank, q.next.Sub(start), asked.Sub(start), now.Sub(start))
		q.advance(start, now)
		waiting.push(q)
		n++
	}
}

// Lateness plays the plan through and returns for each request how long after
// its slot it is asked at worst. ok is false where the plan can't be kept at all.
func (p Plan) Lateness(assumed time.Duration) (worst []time.Duration, ok bool) {
	if p.Load(assumed) > 1 {
		return nil, false
	}
	worst = make([]time.Duration, len(p.Requests))
	p.play(assumed, func(request int, due, asked, _ time.Duration) {
		worst[request] = max(worst[request], asked-due)
	})
	return worst, true
}

// Skew is what lies between the readings of a brake's drive and its travel.
type Skew struct {
	Requests int           // from the one to the other in the plan's order; 0: one request brings both
	Apart    time.Duration // how far the readings lie apart at worst, by what is known of the bus
}

// Skews plays the plan through and returns the skew of each brake whose drive
// and travel are both in it. Of signals with different periods, each reading of
// the rarer one is held against the nearest of the other.
func (p Plan) Skews(assumed time.Duration) map[int32]Skew {
	drives, travels := make(map[int32]int), make(map[int32]int)
	p.eachValue(func(i int, c *sensors.Channel) {
		switch c.Signal {
		case sensors.Drive:
			drives[c.Brake] = i
		case sensors.Travel:
			travels[c.Brake] = i
		}
	})
	read := make([][]time.Duration, len(p.Requests)) // the middles, in order
	p.play(assumed, func(request int, _, asked, answered time.Duration) {
		read[request] = append(read[request], asked+(answered-asked)/2)
	})
	worst := make(map[[2]int]time.Duration)
	skews := make(map[int32]Skew)
	for brake, d := range drives {
		t, moves := travels[brake]
		if !moves {
			continue
		}
		if _, known := worst[[2]int{d, t}]; !known {
			rare, often := read[d], read[t]
			if len(rare) > len(often) {
				rare, often = often, rare
			}
			worst[[2]int{d, t}] = farthest(rare, often)
		}
		skews[brake] = Skew{Requests: max(d-t, t-d), Apart: worst[[2]int{d, t}]}
	}
	return skews
}

// farthest is the longest way from a time of rare to the nearest one of often.
// What comes after the last of often is left out: the play ended there.
func farthest(rare, often []time.Duration) (worst time.Duration) {
	for _, at := range rare {
		k, _ := slices.BinarySearch(often, at)
		if k == len(often) {
			break
		}
		nearest := often[k] - at
		if k > 0 {
			nearest = min(nearest, at-often[k-1])
		}
		worst = max(worst, nearest)
	}
	return worst
}

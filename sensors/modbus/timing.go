package modbus

import (
	"fmt"
	"math"
	"time"
)

// Char is the time of one character: a start bit, eight data bits, the parity
// bit if any, and the stop bits. 8E1 and 8N2 have 11 bits.
func (l Line) Char() time.Duration {
	bits := 1 + 8 + l.Stop
	if l.Parity != NoParity {
		bits++
	}
	return time.Duration(math.Round(float64(bits) / float64(l.Baud) * 1e9))
}

// Silence is how long the line must rest between two frames: 3.5 characters up
// to 19200 Bd, 1.75 ms above (Modbus over Serial Line V1.02, 2.5.1.1).
func (l Line) Silence() time.Duration {
	if l.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return l.Char() * 7 / 2
}

// Bytes is how many bytes the request and a good reply to it have on the wire,
// headers of TCP and IP not counted.
func (r *Request) Bytes(s Scheme) (request, reply int) {
	if s.Serial() {
		return 8, 5 + r.replyBytes()
	}
	return 12, 9 + r.replyBytes()
}

// LineTime is the least time that the request takes of a serial line with a
// device that answers at once: every character of request and reply, and the
// silence before the reply and before whatever comes next.
func (r *Request) LineTime(a Address) time.Duration {
	if !a.Scheme.Serial() {
		return 0
	}
	request, reply := r.Bytes(a.Scheme)
	return time.Duration(request+reply)*a.Line.Char() + 2*a.Line.Silence()
}

// Load is the share of a serial line's time that the plan takes, with devices
// that each need turnaround to begin an answer: above 1 it can't be kept. On
// TCP it is 0: the wire is no limit.
func (p Plan) Load(turnaround time.Duration) float64 {
	load := 0.0
	for i := range p.Requests {
		load += p.share(i, turnaround)
	}
	return load
}

func (p Plan) share(i int, turnaround time.Duration) float64 {
	r := &p.Requests[i]
	if !p.Address.Scheme.Serial() || r.Period <= 0 {
		return 0
	}
	return float64(r.LineTime(p.Address)+turnaround) / float64(r.Period)
}

// Period is the shortest period of the plan's requests, or 0 of an empty plan.
func (p Plan) Period() time.Duration {
	shortest := time.Duration(0)
	for _, r := range p.Requests {
		if shortest == 0 || r.Period < shortest {
			shortest = r.Period
		}
	}
	return shortest
}

// FastestPeriod is the shortest period that the plan's most frequent requests
// could have on their serial line, the others keeping theirs, with devices
// that each need turnaround to begin an answer.
//
// ok is false on TCP, where the wire sets no limit, and where the less
// frequent requests alone already fill the line.
func (p Plan) FastestPeriod(turnaround time.Duration) (period time.Duration, ok bool) {
	if !p.Address.Scheme.Serial() || len(p.Requests) == 0 {
		return 0, false
	}
	shortest := p.Period()
	rest := 1.0
	for i, r := range p.Requests {
		if r.Period == shortest {
			period += r.LineTime(p.Address) + turnaround
		} else {
			rest -= p.share(i, turnaround)
		}
	}
	if rest <= 0 {
		return 0, false
	}
	return time.Duration(math.Ceil(float64(period) / rest)), true
}

// Rate is what the plan takes of the wire each second: requests, and bytes in
// both directions.
func (p Plan) Rate() (requests, bytes float64) {
	for i := range p.Requests {
		r := &p.Requests[i]
		if r.Period <= 0 {
			continue
		}
		out, back := r.Bytes(p.Address.Scheme)
		requests += 1 / r.Period.Seconds()
		bytes += float64(out+back) / r.Period.Seconds()
	}
	return requests, bytes
}

// Check is an error where a serial line can't carry the plan, and says what
// would help.
func (p Plan) Check() error {
	load := p.Load(0)
	if load <= 1 {
		return nil
	}
	if fastest, ok := p.FastestPeriod(0); ok {
		return fmt.Errorf("%v needs %.0f %% of the line's time: polls of %v can't be kept, the fastest possible is %v; write a longer poll, a higher baud or put signals into neighbouring registers",
			p.Address, 100*load, p.Period(), fastest.Round(100*time.Microsecond))
	}
	return fmt.Errorf("%v needs %.0f %% of the line's time; write longer polls, a higher baud or put signals into neighbouring registers", p.Address, 100*load)
}

// EdgeSD is the standard deviation of the time of one edge that is only known
// to lie between two polls of the given period: T/√12.
func EdgeSD(period time.Duration) time.Duration {
	return time.Duration(math.Round(float64(period) / math.Sqrt(12)))
}

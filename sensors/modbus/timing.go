package modbus

import (
	"cmp"
	"fmt"
	"math"
	"strings"
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

// AssumedTurnaround is what a device on a serial line may need to begin an
// answer where the site file doesn't say. It is common practice, from no
// published source: devices take from 1 ms to some 20 ms.
const AssumedTurnaround = 5 * time.Millisecond

// busy is for how long the request takes the bus: a serial line, of which all
// devices' requests are carried one after the other, or a TCP connection as far
// as its devices' turnaround is known. Where it isn't, assumed stands for it on
// a serial line.
func (p Plan) busy(i int, assumed time.Duration) time.Duration {
	r := &p.Requests[i]
	if !p.Address.Scheme.Serial() {
		return r.Turnaround / time.Duration(max(p.InFlight, 1))
	}
	return r.LineTime(p.Address) + cmp.Or(r.Turnaround, assumed)
}

// Load is the share of the bus's time that the plan takes: above 1 it can't be
// kept. Devices of a serial line whose turnaround isn't known are taken to need
// the assumed one. On TCP, of whose wire nothing is known, only turnarounds
// that are known count.
func (p Plan) Load(assumed time.Duration) float64 {
	load := 0.0
	for i := range p.Requests {
		load += p.share(i, assumed)
	}
	return load
}

func (p Plan) share(i int, assumed time.Duration) float64 {
	if p.Requests[i].Period <= 0 {
		return 0
	}
	return float64(p.busy(i, assumed)) / float64(p.Requests[i].Period)
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
// could have on their bus, the others keeping theirs.
//
// ok is false where nothing limits it, as on TCP with devices of unknown
// turnaround, and where the less frequent requests alone already fill the bus.
func (p Plan) FastestPeriod(assumed time.Duration) (period time.Duration, ok bool) {
	shortest := p.Period()
	rest := 1.0
	for i, r := range p.Requests {
		if r.Period == shortest {
			period += p.busy(i, assumed)
		} else {
			rest -= p.share(i, assumed)
		}
	}
	if rest <= 0 || period <= 0 {
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

// Check is an error where the plan can't be kept, even by devices that answer at
// once where their turnaround isn't known. It says what would fit.
func (p Plan) Check() error {
	load := p.Load(0)
	if load <= 1 {
		return nil
	}
	return fmt.Errorf("%v has %.0f %% of its time asked for: polls of %v can't be kept; write %s", p.Address, 100*load, p.Period(), p.remedy(0))
}

// Doubt is an error where the plan can't be kept by devices of a usual
// turnaround, or can only by leaving out polls now and then.
func (p Plan) Doubt() error {
	if load := p.Load(AssumedTurnaround); load > 1 {
		return fmt.Errorf("%v has %.0f %% of its time asked for if the devices need %v to begin an answer; write turnaround: and what they need if it is less, else %s",
			p.Address, 100*load, AssumedTurnaround, p.remedy(AssumedTurnaround))
	}
	worst, _ := p.Lateness(AssumedTurnaround)
	for i, late := range worst {
		r := &p.Requests[i]
		if late < r.Period {
			continue
		}
		longest := 0
		for k := range p.Requests {
			if p.busy(k, AssumedTurnaround) > p.busy(longest, AssumedTurnaround) {
				longest = k
			}
		}
		return fmt.Errorf("%v misses polls of %v now and then: %v takes %v at once; a higher baud or fewer registers in that request would help",
			p.Address, r, &p.Requests[longest], p.busy(longest, AssumedTurnaround).Round(100*time.Microsecond))
	}
	return nil
}

// remedy says what would fit.
func (p Plan) remedy(assumed time.Duration) string {
	var ways []string
	if fastest, ok := p.FastestPeriod(assumed); ok {
		up := time.Duration(math.Ceil(fastest.Seconds()*1e3)) * time.Millisecond
		ways = append(ways, fmt.Sprintf("poll: %v (the fastest possible is %v)", up, fastest.Round(10*time.Microsecond)))
	} else {
		ways = append(ways, "longer polls for all")
	}
	for _, baud := range []int{19200, 38400, 57600, 115200, 230400, 460800, 921600} {
		quicker := p
		quicker.Address.Line.Baud = baud
		if p.Address.Scheme.Serial() && baud > p.Address.Line.Baud && quicker.Load(assumed) <= 1 {
			ways = append(ways, fmt.Sprintf("baud=%d, if the devices can be set to it", baud))
			break
		}
	}
	if !p.Address.Scheme.Serial() {
		ways = append(ways, "in_flight, if the devices take several requests at once")
	}
	return strings.Join(append(ways, "signals in neighbouring registers, which share a request"), ", or ")
}

// EdgeSD is the standard deviation of the time of one edge that is only known
// to lie between two polls of the given period: T/√12.
func EdgeSD(period time.Duration) time.Duration {
	return time.Duration(math.Round(float64(period) / math.Sqrt(12)))
}

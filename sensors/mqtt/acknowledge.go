package mqtt

import (
	"context"
	"math"
	"sync"
	"sync/atomic"
)

// Confirm says that every sample up to a time has gone through the pipeline and
// that all it caused is durable. It makes the source a [sensors.Keeper]. It may
// be called from any goroutine and doesn't block.
func (s *Source) Confirm(throughNS int64) {
	if s.keep {
		s.confirmed.raise(throughNS)
	}
}

// Keeps reports whether the broker keeps what hasn't been confirmed.
func (s *Source) Keeps() bool { return s.keep }

// confirmed is how far the pipeline has come.
type confirmed struct {
	throughNS atomic.Int64
	once      sync.Once
	risen     chan struct{}
}

// rising is the channel that is sent to when the time has risen.
func (c *confirmed) rising() chan struct{} {
	c.once.Do(func() { c.risen = make(chan struct{}, 1) })
	return c.risen
}

func (c *confirmed) raise(throughNS int64) {
	if throughNS <= c.throughNS.Load() {
		return
	}
	c.throughNS.Store(throughNS)
	select {
	case c.rising() <- struct{}{}:
	default:
	}
}

// pending are the messages of one Run that wait to be acknowledged, in the
// order of their arrival: that is the order in which the standard wants it
// done (MQTT 3.1.1, 4.6).
type pending struct {
	count *atomic.Int64 // how many they are, for others to see

	mu   sync.Mutex
	list []unacknowledged
	most int // that ever waited
}

// unacknowledged is one message.
type unacknowledged struct {
	ack  func()
	atNS int64 // of the last of its samples; math.MinInt64 where it has none
}

// add puts a message at the end. One without ack has nothing to wait for.
func (p *pending) add(ack func(), atNS int64) {
	if ack == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.list = append(p.list, unacknowledged{ack, atNS})
	p.most = max(p.most, len(p.list))
	p.count.Store(int64(len(p.list)))
}

// waiting is how many wait now, and whether it was never more.
func (p *pending) waiting() (n int, most bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.list), len(p.list) == p.most
}

// take removes the messages at the front whose samples are confirmed.
func (p *pending) take(throughNS int64) []unacknowledged {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := 0
	for n < len(p.list) && p.list[n].atNS <= throughNS {
		n++
	}
	list := append([]unacknowledged(nil), p.list[:n]...)
	p.list = p.list[:copy(p.list, p.list[n:])]
	p.count.Store(int64(len(p.list)))
	return list
}

// acknowledge goes on until ctx ends. It has a goroutine of its own, for the
// client blocks while its connection does. What belongs to a connection that
// has ended is not sent: the broker sends the message again.
func (p *pending) acknowledge(ctx context.Context, c *confirmed) {
	for {
		for _, m := range p.take(max(c.throughNS.Load(), math.MinInt64+1)) {
			if ctx.Err() != nil {
				return
			}
			m.ack()
		}
		select {
		case <-ctx.Done():
			return
		case <-c.rising():
		}
	}
}

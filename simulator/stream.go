package simulator

import (
	"fmt"
	"time"

	"gapward/sensors"
)

// tickEvery is how often a generated history says that time has passed while
// nothing is polled.
const tickEvery = 10 * time.Minute

// quiet is how long nothing must have been polled for a tick to be worth it.
const quiet = 30 * time.Second

// Stream generates the samples of some brakes over a span of time, as a
// gateway polling them would have got them: in the order of time, around the
// lifts only, with a tick now and then in between. Readings of one request
// carry one time; a change that a device stamps has its own, and a time that it
// measures is told by the first poll after it.
//
// It is deterministic: the same brakes, times, seed and events give the same
// samples, whatever buffers they're fetched with.
type Stream struct {
	models []*model
	polls  []*poll // a heap, the earliest first
	toNS   int64
	lastNS int64 // of the last sample
}

// NewStream returns the history of some brakes. It fails where a brake's
// parameters make no sense or two brakes have one name.
func NewStream(brakes []BrakeSpec, from, to time.Time, seed uint64) (*Stream, error) {
	models, err := newModels(brakes, from, seed)
	if err != nil {
		return nil, err
	}
	if !to.After(from) {
		return nil, fmt.Errorf("the history would end at %v, not after its start at %v", to, from)
	}
	s := &Stream{models: models, toNS: to.UnixNano(), lastNS: from.UnixNano()}
	windows := make(map[string]*window)
	add := func(p *poll) {
		p.seek(from.UnixNano())
		s.polls = append(s.polls, p)
		s.up(len(s.polls) - 1)
	}
	for _, m := range models {
		w, ok := windows[m.spec.Hoist]
		if !ok {
			w = &window{schedule: newSchedule(m.spec.Duty, seed, m.spec.Hoist, from, m.normals), endNS: from.UnixNano() - 1}
			windows[m.spec.Hoist] = w
		}
		for _, p := range pollsOf(m, w, seed) {
			add(p)
		}
	}
	add(&poll{periodNS: int64(tickEvery)})
	return s, nil
}

// Apply lets something go wrong, or be done, at ev.At; what lies before the
// latest sample, or has no time, happens there. Its After is of no effect here.
func (s *Stream) Apply(ev Event) error { return apply(s.models, ev, s.lastNS) }

// OnCycle has each brake report the truth of every cycle when its next one
// begins.
func (s *Stream) OnCycle(f func(Truth)) {
	for _, m := range s.models {
		m.onCycle = f
	}
}

// Next fills the buffer with the next samples and says how many they are;
// fewer than the buffer holds, or none, once the history has ended.
func (s *Stream) Next(buf []sensors.Sample) int {
	n := 0
	for n < len(buf) {
		p := s.polls[0]
		if p.atNS >= s.toNS {
			break
		}
		if p.model == nil {
			if p.atNS-s.lastNS >= int64(quiet) {
				buf[n] = sensors.TickAt(p.atNS)
				s.lastNS = p.atNS
				n++
			}
		} else {
			if w := p.window; w.endNS < p.atNS {
				w.reach(p.atNS)
			}
			if p.atNS < p.window.startNS {
				p.seek(p.window.startNS)
				s.down(0)
				continue
			}
			for p.sent < len(p.channels) && n < len(buf) {
				if p.sample(&p.channels[p.sent], &buf[n]) {
					s.lastNS = p.atNS
					n++
				}
				p.sent++
			}
			if p.sent < len(p.channels) {
				break
			}
			p.sent = 0
		}
		p.goOn()
		s.down(0)
	}
	return n
}

// Plant is the brakes as the history has left them, at its end, to go on live
// from there. The stream must not be used any more.
func (s *Stream) Plant() *Plant {
	for _, m := range s.models {
		m.advance(s.toNS)
	}
	return newPlant(s.models, s.toNS)
}

// earlier orders the heap: by time, then by brake and group so that polls of
// one instant come in a fixed order.
func (s *Stream) earlier(i, j int) bool {
	a, b := s.polls[i], s.polls[j]
	if a.atNS != b.atNS {
		return a.atNS < b.atNS
	}
	if a.model == nil || b.model == nil {
		return b.model == nil && a.model != nil
	}
	if a.model != b.model {
		return a.model.spec.Index < b.model.spec.Index
	}
	return a.channels[0].signal < b.channels[0].signal
}

func (s *Stream) up(i int) {
	for i > 0 {
		parent := (i - 1) / 2
		if !s.earlier(i, parent) {
			return
		}
		s.polls[i], s.polls[parent] = s.polls[parent], s.polls[i]
		i = parent
	}
}

func (s *Stream) down(i int) {
	for {
		least := i
		for c := 2*i + 1; c <= 2*i+2 && c < len(s.polls); c++ {
			if s.earlier(c, least) {
				least = c
			}
		}
		if least == i {
			return
		}
		s.polls[i], s.polls[least] = s.polls[least], s.polls[i]
		i = least
	}
}

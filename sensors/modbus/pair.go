package modbus

import (
	"slices"

	"gapward/sensors"
)

// seams are which requests are to stand beside each other in the plan.
type seams struct {
	requests []Request
	slots    [][]slot // of each request
	beside   [][]int  // the requests right before and right after each, two at most
	parts    [][]int  // what was parted from each
}

// pair puts the requests into an order in which drive and travel of one brake,
// where they are read equally often, come in one request or in neighbouring
// ones: what lies between their readings is then small, and known. A request has
// two neighbours at most; one that brings the drives of more blocks of travels
// than that, or the other way round, is parted. It costs a request, and makes
// release times that much surer.
func (p *Plan) pair() {
	slices.SortFunc(p.Requests, func(a, b Request) int { return a.compare(&b) })
	s := &seams{requests: p.Requests}
	for i := range p.Requests {
		s.slots = append(s.slots, p.Requests[i].slots())
	}
	s.beside, s.parts = make([][]int, len(s.slots)), make([][]int, len(s.slots))
	for _, with := range p.partners() {
		s.join(with)
	}
	for i := range s.requests {
		slices.SortStableFunc(s.slots[i], byAddress)
		s.requests[i] = block(s.requests[i], s.slots[i])
	}
	p.Requests = s.inRows()
}

// partners are two requests that bring the drives and the travels of some
// brakes.
type partners struct {
	drives, travels int
	brakes          []int32
}

// partners lists which requests belong beside each other, in the plan's order.
func (p *Plan) partners() (list []partners) {
	drives := make(map[int32]int)
	p.eachValue(func(i int, c *sensors.Channel) {
		if c.Signal == sensors.Drive {
			drives[c.Brake] = i
		}
	})
	p.eachValue(func(i int, c *sensors.Channel) {
		d, driven := drives[c.Brake]
		if !driven || c.Signal != sensors.Travel || d == i || p.Requests[d].Period != p.Requests[i].Period {
			return
		}
		at := slices.IndexFunc(list, func(w partners) bool { return w.drives == d && w.travels == i })
		if at < 0 {
			at, list = len(list), append(list, partners{drives: d, travels: i})
		}
		list[at].brakes = append(list[at].brakes, c.Brake)
	})
	return list
}

// eachValue goes through the channels of all requests, stamps left out.
func (p *Plan) eachValue(f func(request int, c *sensors.Channel)) {
	for i := range p.Requests {
		for k := range p.Requests[i].Channels {
			if c := &p.Requests[i].Channels[k]; c.Part == sensors.OfValue {
				f(i, c)
			}
		}
	}
}

// join makes partners neighbours, and parts those that have no place left.
func (s *seams) join(w partners) {
	drives, hasRoom := s.withRoom(w.drives)
	travels, alsoRoom := s.withRoom(w.travels)
	if !hasRoom || alsoRoom && s.row(drives, -1, func(i int) bool { return i == travels }) {
		drives = s.part(w.drives) // a row that closes to a ring would have no order
	}
	if !alsoRoom {
		travels = s.part(w.travels)
	}
	s.move(w.brakes, w.drives, drives)
	s.move(w.brakes, w.travels, travels)
	s.beside[drives], s.beside[travels] = append(s.beside[drives], travels), append(s.beside[travels], drives)
}

// withRoom is the request itself, or one that was parted from it, that may have
// another neighbour.
func (s *seams) withRoom(i int) (int, bool) {
	for _, k := range append([]int{i}, s.parts[i]...) {
		if len(s.beside[k]) < 2 {
			return k, true
		}
	}
	return 0, false
}

// part makes an empty request like another.
func (s *seams) part(of int) int {
	i := len(s.requests)
	s.requests, s.slots = append(s.requests, s.requests[of]), append(s.slots, nil)
	s.beside, s.parts = append(s.beside, nil), append(s.parts, nil)
	s.parts[of] = append(s.parts[of], i)
	return i
}

// move hands the signals of some brakes from one request to another.
func (s *seams) move(brakes []int32, from, to int) {
	if from == to {
		return
	}
	var stay []slot
	for _, sl := range s.slots[from] {
		if slices.Contains(brakes, sl.channel.Brake) {
			s.slots[to] = append(s.slots[to], sl)
		} else {
			stay = append(stay, sl)
		}
	}
	s.slots[from] = stay
}

// row goes through the neighbours from one request on, away from where it came
// from, until stop, and reports whether that was met.
func (s *seams) row(at, from int, stop func(int) bool) bool {
	if stop(at) {
		return true
	}
	for _, next := range s.beside[at] {
		if next != from && s.row(next, at, stop) {
			return true
		}
	}
	return false
}

// inRows puts neighbours beside each other: each row where its first request
// belongs, and from that of its ends on which comes first.
func (s *seams) inRows() (list []Request) {
	order := make([]int, len(s.requests))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return s.requests[a].compare(&s.requests[b]) })
	rank := make([]int, len(order))
	for r, i := range order {
		rank[i] = r
	}
	placed := make([]bool, len(order))
	for _, i := range order {
		if placed[i] {
			continue
		}
		first := -1
		s.row(i, -1, func(k int) bool {
			if len(s.beside[k]) < 2 && (first < 0 || rank[k] < rank[first]) {
				first = k
			}
			return false
		})
		s.row(first, -1, func(k int) bool {
			placed[k] = true
			list = append(list, s.requests[k])
			return false
		})
	}
	return list
}

package simulator

import (
	"math"
	"time"

	"gapward/sensors"
)

// windowLead and windowTail are how long before a hoist's drive-on and after
// its drive-off its brakes are polled in a generated history. The tail holds
// the setting and about 2.5 s of rest.
const (
	windowLead = 2 * time.Second
	windowTail = 3 * time.Second
)

// window walks along the times at which a hoist's brakes are polled.
type window struct {
	schedule       *Schedule
	startNS, endNS int64
}

// reach moves on to the first window that ends at a time or later.
func (w *window) reach(tNS int64) {
	for w.endNS < tNS {
		span := w.schedule.Next().Span()
		w.startNS, w.endNS = span.OnNS-int64(windowLead), span.OffNS+int64(windowTail)
	}
}

// channel is one signal within a poll.
type channel struct {
	signal sensors.Signal
	scale  Scale

	byException bool
	onChange    float64
	everyNS     int64
	sentNS      int64 // when it was last sent
	sent        float64
	sentQuality sensors.Quality

	measured bool // the device measures it, and counts how often
	counted  bool // the count is known
	count    int
}

// poll reads one or more channels of a brake together, again and again. One
// without a model is the tick that says that time passes.
type poll struct {
	model    *model
	window   *window
	periodNS int64
	offsetNS int64
	jitterNS int64 // each poll is late by up to this much
	key      key
	k        int64 // its number
	atNS     int64
	channels []channel
	sent     int // how many channels of this poll are already sent

	// A contact whose changes the device stamps is told of at its changes, too.
	step      int64 // of the device's clock; 0: it doesn't stamp
	changedNS int64 // when the change happened that is told of now; 0: a poll like any
}

// jitterPart is the lateness of a poll at most, as a part of its period.
const jitterPart = 0.1

// exceptionGrid is how often a device that reports by exception looks.
const exceptionGrid = 5 * time.Millisecond

// pollsOf groups the signals of a brake that one request would read: those of
// one device, kind of table and period.
func pollsOf(m *model, w *window, seed uint64) []*poll {
	type group struct {
		device  string
		binary  bool
		period  time.Duration
		topic   string
		stamped sensors.Signal // of its own where it is
		step    time.Duration
	}
	var polls []*poll
	var groups []group
	travel := m.spec.Travel
	for _, s := range sensors.Signals() {
		wired := m.spec.wiring(s)
		if wired == nil {
			continue
		}
		g := group{device: wired.Device, binary: s.Binary(), period: wired.Poll, topic: wired.Topic}
		c := channel{signal: s, scale: NewScale(s, *wired), byException: wired.ByException(), onChange: wired.OnChange,
			everyNS: int64(wired.AtLeastEvery), sentNS: math.MinInt64 / 2, measured: s.Measured()}
		if wired.Stamp != nil {
			g.stamped, g.step = s, wired.Stamp.Step
		}
		if g.period <= 0 {
			g.period = sensors.DefaultPoll
			if c.byException {
				g.period = exceptionGrid
			} else if travel != nil && travel.Poll > 0 {
				g.period = travel.Poll
			}
		}
		i := 0
		for i < len(groups) && groups[i] != g {
			i++
		}
		if i == len(groups) {
			groups = append(groups, g)
			period := float64(g.period)
			polls = append(polls, &poll{model: m, window: w, periodNS: int64(g.period), step: int64(g.step),
				offsetNS: int64(math.Min(7e5, period/20)) * int64(i), jitterNS: int64(math.Min(2e6, jitterPart*period)),
				key: newKey(seed, m.spec.Name, "poll "+string(rune('0'+i)))})
		}
		polls[i].channels = append(polls[i].channels, c)
	}
	return polls
}

// seek sets the poll to its first time at tNS or later.
func (p *poll) seek(tNS int64) {
	p.k = max((tNS-p.offsetNS)/p.periodNS-1, p.k)
	p.set()
	for p.atNS < tNS {
		p.k++
		p.set()
	}
}

func (p *poll) set() {
	p.atNS = p.offsetNS + p.k*p.periodNS
	if p.jitterNS > 0 {
		p.atNS += int64(p.key.bits(uint64(p.k)) % uint64(p.jitterNS))
	}
}

// goOn sets the poll to its next time: that of a change that the device stamps
// before its next turn, in the middle of a count of its clock, else its turn. A
// change that a device tells of is known to the model ahead, as its segment begins
// well before.
func (p *poll) goOn() {
	was := p.atNS
	if p.changedNS == 0 {
		p.k++
	}
	after := max(was, p.changedNS)
	p.changedNS = 0
	p.set()
	if p.step == 0 {
		return
	}
	if c := p.model.changeAfter(p.channels[0].signal, after); c <= p.atNS {
		p.changedNS, p.atNS = c, max(was, min(p.atNS, c-c%p.step+p.step/2))
	}
}

// sample reads one channel. send is false where a device that reports by
// exception has nothing to say.
func (p *poll) sample(c *channel, s *sensors.Sample) (send bool) {
	m := p.model
	s.AtNS, s.Brake, s.Signal, s.Quality, s.Value = p.atNS, m.spec.Index, c.signal, sensors.Good, 0
	v, broken := m.value(c.signal, p.atNS)
	if p.step > 0 {
		v = truth01(m.settled(c.signal, max(p.atNS, p.changedNS)))
	}
	switch {
	case m.faults.silent:
		s.Quality = sensors.NoAnswer
		c.counted = false // what is measured meanwhile is told by nobody
		if p.changedNS != 0 {
			return false
		}
	case c.measured && !c.measuredAnew(m.madeAt(p.atNS)):
		return false
	case c.signal == sensors.Drive || c.signal == sensors.Released:
		s.Value = v
	default:
		raw := c.scale.broken
		if !broken {
			raw = c.scale.Raw(v)
		}
		var ok bool
		if s.Value, ok = c.scale.value(raw); !ok {
			s.Value, s.Quality = 0, sensors.Bad
		}
	}
	return !c.byException || c.news(s)
}

// measuredAnew reports whether the device has measured the time once more.
func (c *channel) measuredAnew(d made) bool {
	_, n := d.of(c.signal)
	anew := c.counted && n != c.count
	c.counted, c.count = true, n
	return anew
}

// news reports whether a device that reports by exception sends the sample.
func (c *channel) news(s *sensors.Sample) bool {
	if s.Quality == sensors.NoAnswer {
		return false // a silent device sends nothing
	}
	moved := s.Value != c.sent
	if c.onChange > 0 && !c.signal.Binary() {
		moved = math.Abs(s.Value-c.sent) >= c.onChange
	}
	if !moved && s.Quality == c.sentQuality && (c.everyNS == 0 || s.AtNS-c.sentNS < c.everyNS) {
		return false
	}
	c.sentNS, c.sent, c.sentQuality = s.AtNS, s.Value, s.Quality
	return true
}

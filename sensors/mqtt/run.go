package mqtt

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gapward/sensors"
)

const (
	// silenceEvery is the time between two samples that say that there was
	// no answer, and between two looks at the state of things.
	silenceEvery = time.Second
	// flushEvery is the least time between two batches.
	flushEvery = 20 * time.Millisecond
	// maxHeld is the most samples that wait for their order.
	maxHeld = 1 << 16
	// firstWord is how long a topic may be silent from the beginning before
	// that is remarked upon, where its wiring doesn't say.
	firstWord = time.Minute
)

// topicState is what is known of one topic.
type topicState struct {
	listening bool          // the broker has granted it on the present connection
	refusal   error         // why it hasn't; told once
	skew      skew          // of its sender's clock
	heard     bool          // a message has come
	quietFor  time.Duration // how long it was listened to in vain
	remarked  bool          // that has been said
}

// channelState is what is known of one channel.
type channelState struct {
	lastNS     int64 // device time of its latest reading; 0 before the first
	lastValue  float64
	refusal    string // why the latest reading was refused; empty while readings are good
	refused    int64  // since what was logged last
	quiet      bool   // the latest refusals were not logged
	told       int    // runs of refusals that were logged since toldFromNS
	toldFromNS int64
}

// A sender whose every other payload is refused must not fill the log: so many
// runs of refusals of one signal are told in so long a time.
const (
	mostTold   = 5
	toldWithin = time.Minute
)

// loop is the state of one Run. Only the goroutine of Run touches it.
type loop struct {
	*connection
	out      chan<- []sensors.Sample
	topics   []topicState
	channels []channelState
	order    holdBack

	oldClock     bool // a step back of the wall clock has been told
	unwantedTold bool // a message of an unknown topic has been told

	throttledTold bool // that the broker holds messages up has been told

	away        error           // why there is no connection; nil while there is one
	awayLogged  map[string]bool // the reasons that have been logged since there was one
	subscribing bool            // a subscribe is under way
	nextTry     time.Time

	past catchUp
}

// Run subscribes and sends readings until ctx ends.
func (s *Source) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	if ctx.Err() != nil {
		return nil
	}
	running, stop := context.WithCancel(ctx)
	conn, closeIt := s.dial(running, newClock())
	defer closeIt()
	defer stop() // before closeIt: nobody takes events any more

	l := &loop{
		connection: conn,
		out:        out,
		topics:     make([]topicState, len(s.topics)),
		channels:   make([]channelState, len(s.channels)),
		order:      holdBack{wait: s.opts.HoldBack},
		away:       fmt.Errorf("connecting to broker %s: no answer yet", s.broker.Host),
		awayLogged: map[string]bool{},
		past:       newCatchUp(s.keep, conn.clock.nowNS()),
	}
	for i := range l.topics {
		l.topics[i].skew = newSkew(s.maxSkew)
	}
	if l.past.first {
		// That nothing was kept is an answer too.
		l.hold(sensors.TickAt(l.past.beganNS), l.past.beganNS)
	}
	tick := time.NewTicker(silenceEvery)
	defer tick.Stop()
	flush := time.NewTimer(time.Hour)
	flush.Stop()
	defer flush.Stop()
	armedFor := int64(-1) // when flush will fire; -1 while it won't
	for {
		select {
		case <-ctx.Done():
			l.rest()
			return nil
		case e := <-l.events:
			l.event(e)
		case topic := <-l.unwanted:
			if !l.unwantedTold {
				l.unwantedTold = true
				s.log.Warn("a message came on a topic that no signal has; such messages are ignored from now on", "topic", topic)
			}
		case a := <-l.arrivals:
			l.arrival(a)
		case <-tick.C:
			l.drain()
			l.tick()
		case <-flush.C:
			armedFor = -1
			l.drain()
			if !l.flush(ctx) {
				return nil
			}
		}
		if due, ok := l.order.nextNS(); ok {
			now := l.clock.nowNS()
			// Only ever brought forward: else messages that come often would put
			// it off for ever.
			if at := max(due, now+int64(l.past.pause(flushEvery))); armedFor < 0 || at < armedFor {
				armedFor = at
				flush.Reset(time.Duration(at - now))
			}
		}
	}
}

// drain takes the messages that have come so far. Else a sample of later time
// could overtake them, after a receiver that was busy for long.
func (l *loop) drain() {
	for range len(l.arrivals) {
		l.arrival(<-l.arrivals)
	}
}

// flush sends what is due, once what the broker has kept is together.
func (l *loop) flush(ctx context.Context) bool {
	now := l.clock.nowNS()
	if l.past.over(now) {
		l.s.log.Info("what the broker had kept is in", "readings", l.past.readings)
	}
	if l.past.first {
		return true
	}
	return l.send(ctx, l.order.take(now))
}

// send hands a batch on; it returns false when ctx has ended.
func (l *loop) send(ctx context.Context, batch []sensors.Sample) bool {
	if len(batch) == 0 {
		return true
	}
	select {
	case l.out <- batch:
		return true
	case <-ctx.Done():
		return false
	}
}

// rest offers what is still held to a receiver that happens to be there: at
// the end nobody may be.
func (l *loop) rest() {
	batch := l.order.takeUntil(l.clock.nowNS())
	if len(batch) == 0 {
		return
	}
	select {
	case l.out <- batch:
	default:
	}
}

// arrival takes a message apart, for each signal that reads its topic.
func (l *loop) arrival(a arrival) {
	l.topics[a.topic].heard = true
	taken, failed, last := 0, error(nil), int64(math.MinInt64)
	for _, i := range l.s.readers[a.topic] {
		ok, atNS, err := l.reading(i, a)
		if ok {
			taken++
		}
		last = max(last, atNS)
		failed = errors.Join(failed, err)
	}
	if n, most := l.pending.waiting(); a.ack != nil && most && n >= fewestInFlight && !l.throttledTold &&
		!l.past.open && !l.past.first && last > math.MinInt64 && a.atNS-last > int64(throttledAfter) {
		l.throttledTold = true
		failed = errors.Join(failed, fmt.Errorf("broker %s seems to let no more than %d messages be in flight, which holds readings up; with keep_session they are acknowledged after about a second: raise its limit (Mosquitto: max_inflight_messages)", l.s.broker.Host, n+1))
		l.s.log.Warn("messages are held up", "err", failed)
	}
	l.pending.add(a.ack, last)
	l.watch(taken, failed)
}

const (
	// fewestInFlight is the least limit of messages in flight that is taken
	// for one.
	fewestInFlight = 8
	// throttledAfter is the age of a message that must have waited for others
	// to be acknowledged.
	throttledAfter = 500 * time.Millisecond
)

// reading takes what a message says of one channel; ok reports whether it did,
// and atNS is the time of what it has become, or of what it is a duplicate of.
// An error is one that leaves a hole in the signal.
func (l *loop) reading(i int, a arrival) (ok bool, atNS int64, err error) {
	c, state := l.s.channels[i], &l.channels[i]
	sample, dated, err := l.s.forms[i].Decode(a.payload, c, a.atNS)
	kept := dated && l.past.kept(sample.AtNS, a.atNS, a.dialNS)
	own := dated // its time is to be believed
	if dated && !kept && !a.dup {
		if clock := l.topics[a.topic].skew.judge(sample.AtNS, a.atNS, c.Wiring.StaleAfter); clock != nil {
			own = false
			if err == nil {
				err = clock
			}
		}
	}
	switch {
	case err != nil && !own:
		err = l.refuseReading(i, err, a.atNS)
		sample = sensors.Sample{AtNS: a.atNS, Brake: c.Brake, Signal: c.Signal, Quality: sensors.Bad}
	case a.dup && !dated:
		// It was sent before, nobody knows when: its arrival says nothing.
		l.s.counts.duplicates.Add(1)
		return false, math.MinInt64, nil
	case dated && (a.dup && sample.AtNS <= state.lastNS || sample.AtNS == state.lastNS && sample.Value == state.lastValue):
		l.s.counts.duplicates.Add(1)
		return false, sample.AtNS, nil
	case dated && sample.AtNS < state.lastNS:
		l.s.counts.backwards.Add(1)
		l.s.log.Debug("a reading older than the one before it was dropped", "topic", c.Wiring.Topic, "behind", time.Duration(state.lastNS-sample.AtNS))
		return false, sample.AtNS, nil
	case kept && l.order.late(sample.AtNS):
		// The silence was told while it lasted.
		l.s.counts.missed.Add(1)
		return false, math.MinInt64, nil
	case l.order.late(sample.AtNS):
		l.s.counts.late.Add(1)
		state.lastNS, state.lastValue = sample.AtNS, sample.Value
		err = &ReadingError{c, &ClockError{fmt.Sprintf("its time is %v behind what came from other topics before it; let all of this device's topics go by one clock, or send none of them with a time",
			time.Duration(l.order.sentNS-sample.AtNS).Round(time.Millisecond))}}
		l.refuse(state, err, "a reading came too late to be put in its place", a.atNS)
		sample = sensors.Sample{AtNS: a.atNS, Brake: c.Brake, Signal: c.Signal, Quality: sensors.Bad}
	default:
		if dated {
			state.lastNS, state.lastValue = sample.AtNS, sample.Value
		}
		if kept {
			l.past.readings++
		}
		if err != nil { // the value is wrong, its time is not
			err = l.refuseReading(i, err, a.atNS)
			state.lastValue = math.NaN()
			break
		}
		if state.refusal != "" {
			if !state.quiet {
				l.s.log.Info("readings are good again", "topic", c.Wiring.Topic, "signal", c.Signal, "brake", c.Name, "refused", state.refused)
				state.refused = 0
			}
			state.refusal = ""
		}
	}
	return err == nil, l.hold(sample, a.atNS), err
}

// refuseReading counts and tells of a reading with which something is wrong.
func (l *loop) refuseReading(i int, wrong error, nowNS int64) error {
	l.s.counts.refused.Add(1)
	err := &ReadingError{l.s.channels[i], wrong}
	l.refuse(&l.channels[i], err, "a reading was refused", nowNS)
	return err
}

// refuse logs the first of a run of refusals, as long as the runs are not many.
func (l *loop) refuse(state *channelState, err error, what string, nowNS int64) {
	if state.refusal == "" || state.quiet {
		if since := nowNS - state.toldFromNS; since < 0 || since >= int64(toldWithin) {
			state.told, state.toldFromNS = 0, nowNS
		}
		state.quiet = state.told >= mostTold
		switch {
		case state.quiet:
		case state.refused > 0:
			state.told++
			l.s.log.Warn(what, "err", err, "refused_meanwhile", state.refused)
			state.refused = 0
		default:
			state.told++
			l.s.log.Warn(what, "err", err)
		}
	}
	state.refused++
	state.refusal = what
}

// hold keeps a sample until its turn, and returns its time. The order of what
// has gone out already comes first: a sample of the source's own making is never
// before it.
func (l *loop) hold(s sensors.Sample, arrivedNS int64) (atNS int64) {
	if l.order.late(s.AtNS) {
		s.AtNS = l.order.sentNS
	}
	l.order.add(s, arrivedNS)
	return s.AtNS
}

// tick makes silence visible and looks after the subscriptions.
func (l *loop) tick() {
	if step := l.clock.follow(); step > 0 {
		l.s.log.Warn("the clock was set forward", "by", step)
	} else if step < 0 && !l.oldClock {
		l.oldClock = true
		l.s.log.Error("the clock was set back; times run a thousandth slow until they agree, or gapward is restarted", "by", -step)
	}
	now := l.clock.nowNS()
	l.overruns(now)

	if l.past.first {
		return // silence would go before what the broker has kept
	}
	open := l.client.IsConnectionOpen()
	silent, why := 0, l.away
	for i := range l.topics {
		t := &l.topics[i]
		if open && t.listening {
			l.remark(i)
			continue
		}
		if why == nil {
			why = t.refusal
		}
		for _, c := range l.s.readers[i] {
			l.hold(sensors.Sample{AtNS: now, Brake: l.s.channels[c].Brake, Signal: l.s.channels[c].Signal, Quality: sensors.NoAnswer}, now)
			silent++
		}
	}
	if silent > 0 {
		if why == nil {
			why = fmt.Errorf("broker %s hasn't granted the topics yet", l.s.broker.Host)
		}
		l.watch(silent, why)
	}
	if open && !l.subscribing && !time.Now().Before(l.nextTry) {
		if missing := l.missing(); len(missing) > 0 {
			l.subscribing = true
			go l.subscribe(missing)
		}
	}
}

// overruns marks where messages were dropped because they came too fast.
func (l *loop) overruns(nowNS int64) {
	for i := range l.overrun {
		lost := l.overrun[i].take()
		if lost == 0 {
			continue
		}
		err := fmt.Errorf("topic %s: %d messages were dropped because they came faster than they could be taken", l.s.topics[i], lost)
		for _, c := range l.s.readers[i] {
			l.hold(sensors.Sample{AtNS: nowNS, Brake: l.s.channels[c].Brake, Signal: l.s.channels[c].Signal, Quality: sensors.Bad}, nowNS)
		}
		l.s.log.Warn("messages were dropped", "err", err)
		l.watch(0, err)
	}
	if len(l.order.held) > maxHeld {
		// Only readings far ahead of the clock wait for long; they can't be
		// so many unless a device is out of its mind.
		dropped := len(l.order.held) - maxHeld
		l.order.held = slices.Delete(l.order.held, 0, dropped)
		l.s.counts.overrun.Add(int64(dropped))
		l.s.log.Warn("readings were dropped because too many wait for their time", "dropped", dropped)
	}
}

// remark says, once, that a topic is silent from the beginning. There are
// brokers that grant a topic which their own access rules then withhold.
func (l *loop) remark(topic int) {
	t := &l.topics[topic]
	if t.heard || t.remarked {
		return
	}
	t.quietFor += silenceEvery
	patience := time.Duration(0)
	for _, c := range l.s.readers[topic] {
		w := l.s.channels[c].Wiring
		patience = max(patience, w.StaleAfter, 3*w.AtLeastEvery)
	}
	if patience == 0 {
		patience = firstWord
	}
	if t.quietFor >= patience {
		t.remarked = true
		err := fmt.Errorf("topic %s: nothing has come since it was subscribed %v ago; check that its sender runs, and that the broker's access rules let user %q read it",
			l.s.topics[topic], t.quietFor, l.s.user)
		l.s.log.Warn("a topic is silent", "err", err)
		l.watch(0, err)
	}
}

// missing lists the topics that are not listened to.
func (l *loop) missing() []string {
	var topics []string
	for i := range l.topics {
		if !l.topics[i].listening {
			topics = append(topics, l.s.topics[i])
		}
	}
	return topics
}

// event takes what the connection tells.
func (l *loop) event(e event) {
	switch e.kind {
	case eventConnected:
		l.away, l.awayLogged = nil, map[string]bool{}
		l.past.welcomed(l.clock.nowNS())
		l.subscribing = true
		for i := range l.topics {
			l.topics[i].listening = false
		}
		l.s.log.Info("connected to the broker", "broker", l.s.broker.Host)
	case eventLost:
		// It is told late, perhaps after the next connection.
		if l.client.IsConnectionOpen() {
			return
		}
		l.lost(fmt.Errorf("the connection to broker %s was lost: %w", l.s.broker.Host, e.err))
	case eventFailed:
		l.lost(e.err)
	case eventSubscribed:
		l.subscribing = false
		l.nextTry = time.Now().Add(l.s.opts.Resubscribe)
		l.subscribed(e)
	}
}

// lost notes why there is no connection, and logs a reason once.
func (l *loop) lost(why error) {
	l.away = why
	for i := range l.topics {
		l.topics[i].listening = false
	}
	// Without its numbers, for the local port is another one every time.
	text := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return -1
		}
		return r
	}, why.Error())
	if !l.awayLogged[text] {
		l.awayLogged[text] = true
		l.s.log.Warn("the broker is away; its signals are without answer", "err", why)
	}
}

// subscribed takes the broker's answer about topics.
func (l *loop) subscribed(e event) {
	var failed error
	for _, topic := range e.asked {
		t := &l.topics[l.s.topicOf[topic]]
		code, answered := e.codes[topic]
		var refusal error
		switch {
		case e.err != nil:
			refusal = fmt.Errorf("subscribing to topic %s: %w", topic, e.err)
		case !answered:
			refusal = fmt.Errorf("subscribing to topic %s: the connection ended before the broker answered", topic)
		case code >= refusedTopic:
			refusal = &RefusedError{topic, fmt.Errorf("broker %s refuses topic %s; let user %q read it in the broker's access rules", l.s.broker.Host, topic, l.s.user)}
		default:
			if t.refusal != nil {
				l.s.log.Info("a topic is granted now", "topic", topic)
			}
			t.listening, t.refusal = true, nil
			continue
		}
		if t.refusal == nil || t.refusal.Error() != refusal.Error() {
			l.s.log.Warn("a topic is not granted; it is asked for again", "err", refusal, "in", l.s.opts.Resubscribe)
		}
		t.listening, t.refusal = false, refusal
		failed = errors.Join(failed, refusal)
	}
	l.watch(0, failed)
}

// watch tells the watcher of something that happened just now.
func (l *loop) watch(samples int, err error) {
	if err != nil {
		err = fmt.Errorf("reading %s: %w", l.s.name, err)
	}
	l.s.watcher.Polled(l.s.name, sensors.Poll{At: time.Now(), Samples: samples, Err: err})
}

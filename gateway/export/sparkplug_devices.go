package export

import (
	"context"
	"math"
	"slices"
	"sync"
	"time"

	"gapward/alerts"
	"gapward/gateway/store"
)

// silences are the brakes none of whose signals is heard, and since when. It is
// safe for use by several goroutines.
type silences struct {
	mu    sync.Mutex
	since map[string]time.Time
}

// SetSilent says whether every signal of a brake is silent, as the pipeline sees
// it. It doesn't block.
func (x *Sparkplug) SetSilent(brake string, silent bool) {
	s := &x.silent
	s.mu.Lock()
	defer s.mu.Unlock()
	switch _, is := s.since[brake]; {
	case !silent:
		delete(s.since, brake)
	case !is:
		if s.since == nil {
			s.since = map[string]time.Time{}
		}
		s.since[brake] = time.Now()
	}
}

// deathAfter is how long a brake has been silent when its death is told: what
// is told of its silence, and of what came before, then has gone out.
const deathAfter = 2 * time.Second

// dead reports whether a brake has no device that speaks.
func (x *Sparkplug) dead(brake string) bool {
	x.silent.mu.Lock()
	defer x.silent.mu.Unlock()
	since, silent := x.silent.since[brake]
	return silent && time.Since(since) >= deathAfter
}

// deaths tells of brakes that die and are back, until the connection is over.
func (x *Sparkplug) deaths(n *node) {
	look := time.NewTicker(deathAfter / 4)
	defer look.Stop()
	for {
		select {
		case <-n.lost:
			return
		case <-look.C:
		}
		ctx, cancel := context.WithTimeout(context.Background(), deliverLimit)
		err := x.follow(ctx, n)
		cancel()
		if err != nil {
			x.lg.Warn("the death or birth of a device could not be told; connecting anew", "error", err)
			n.leave(0)
			return
		}
	}
}

// follow tells of the brakes that have died or are back since the last look.
func (x *Sparkplug) follow(ctx context.Context, n *node) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	var changed []message
	for _, b := range x.brakes {
		_, alive := n.devices[b.Name]
		switch dead := x.dead(b.Name); {
		case alive && dead:
			changed = append(changed, x.deviceDeath(n, b.Name))
			x.lg.Info("told the death of a device", "brake", b.Name)
		case !alive && !dead:
			birth, err := x.deviceBirth(ctx, n, b)
			if err != nil {
				return err
			}
			changed = append(changed, birth)
			x.lg.Info("told the birth of a device", "brake", b.Name)
		}
	}
	return n.publish(ctx, 0, changed)
}

// birth publishes the node's birth and those of all devices that are alive.
func (x *Sparkplug) birth(ctx context.Context, n *node, bdSeq uint8) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	s, err := x.standing(ctx, x.brakes)
	if err != nil {
		return err
	}
	n.seq, n.born, n.devices = 0, s.newest, map[string]store.Newest{}
	nowNS := x.now().UnixNano()
	births := []message{x.message(n, x.names.node("NBIRTH"), s.nodeMetrics(bdSeq, x.alarms, nowNS))}
	for _, b := range x.brakes {
		if x.dead(b.Name) {
			continue
		}
		n.devices[b.Name] = s.newest
		births = append(births, x.message(n, x.names.device("DBIRTH", b.Name), s.metricsOf(b, nowNS)))
	}
	return n.publish(ctx, 0, births)
}

// deviceBirth makes the birth of one brake.
func (x *Sparkplug) deviceBirth(ctx context.Context, n *node, b BrakeInfo) (message, error) {
	s, err := x.standing(ctx, []BrakeInfo{b})
	if err != nil {
		return message{}, err
	}
	n.devices[b.Name] = s.newest
	return x.message(n, x.names.device("DBIRTH", b.Name), s.metricsOf(b, x.now().UnixNano())), nil
}

// deviceDeath makes the death of one brake, which has no metrics.
func (x *Sparkplug) deviceDeath(n *node, brake string) message {
	delete(n.devices, brake)
	return x.message(n, x.names.device("DDEATH", brake), nil)
}

// messages makes the data of rows. What is stored of a brake that is dead, such
// as the cycle that it was in the midst of, is told after a birth, which the next
// [Sparkplug.follow] takes back: a host takes no data of a device that isn't alive.
func (x *Sparkplug) messages(ctx context.Context, n *node, rows Rows) (list []message, err error) {
	data := func(brake string, historical bool, ms []metric) {
		topic := x.names.node("NDATA")
		if brake != "" {
			topic = x.names.device("DDATA", brake)
		}
		for i := range ms {
			ms[i].historical = historical
		}
		list = append(list, x.message(n, topic, ms))
	}
	// alive is up to where the brake's birth has told everything; ok is false for
	// one of an earlier site file, which was not born, so that nobody expects it.
	alive := func(brake string) (told store.Newest, ok bool) {
		if told, ok := n.devices[brake]; ok || err != nil {
			return told, ok
		}
		at := slices.IndexFunc(x.brakes, func(b BrakeInfo) bool { return b.Name == brake })
		if at < 0 {
			return store.Newest{}, false
		}
		var birth message
		if birth, err = x.deviceBirth(ctx, n, x.brakes[at]); err != nil {
			return store.Newest{}, false
		}
		list = append(list, birth)
		return n.devices[brake], true
	}
	for _, r := range rows.Alarms {
		if r.Brake == "" {
			if slices.Contains(x.alarms, r.Key()) {
				data("", r.ID <= n.born.Alarm, alarmMetrics(r))
			}
		} else if told, ok := alive(r.Brake); ok {
			data(r.Brake, r.ID <= told.Alarm, alarmMetrics(r))
		}
	}
	for _, r := range rows.Verdicts {
		// Verdicts have no past: what a birth has told, or will, is told.
		if told, ok := n.devices[r.Brake]; ok && r.Rev > told.VerdictRev {
			data(r.Brake, false, verdictMetrics(r))
		}
	}
	for _, r := range rows.Forecasts {
		if r.Limit != forecastLimit {
			continue
		}
		if told, ok := alive(r.Brake); ok {
			data(r.Brake, r.ID <= told.Forecast, forecastMetrics(r))
		}
	}
	for _, r := range rows.Cycles {
		if told, ok := alive(r.Brake); ok {
			data(r.Brake, r.ID <= told.Cycle, cycleMetrics(r))
		}
	}
	return list, err
}

// standing reads the latest of everything, of these brakes. The highest ids come
// first: what is stored meanwhile is told twice rather than not at all.
func (x *Sparkplug) standing(ctx context.Context, of []BrakeInfo) (*standing, error) {
	newest, err := x.db.Newest(ctx)
	if err != nil {
		return nil, err
	}
	verdicts, err := x.db.Verdicts(ctx)
	if err != nil {
		return nil, err
	}
	forecasts, err := x.db.LatestForecasts(ctx)
	if err != nil {
		return nil, err
	}
	alarms, err := x.db.AlarmStates(ctx)
	if err != nil {
		return nil, err
	}
	s := &standing{newest: newest, cycles: map[string]store.CycleRow{}, verdicts: map[string]store.VerdictRow{},
		forecasts: map[string]store.ForecastRow{}, active: map[alerts.Key]bool{}}
	for _, r := range verdicts {
		s.verdicts[r.Brake] = r
	}
	for _, r := range forecasts {
		if r.Limit == forecastLimit {
			s.forecasts[r.Brake] = r
		}
	}
	for _, r := range alarms {
		s.active[r.Key()] = r.State.Active()
	}
	for _, b := range of {
		last, err := x.db.Cycles(ctx, b.Name, 0, math.MaxInt64, 1)
		if err != nil {
			return nil, err
		}
		if len(last) > 0 {
			s.cycles[b.Name] = last[0]
		}
	}
	return s, nil
}

// message makes the node's next message.
func (x *Sparkplug) message(n *node, topic string, ms []metric) message {
	p := spPayload{atMS: x.now().UnixMilli(), seq: int(n.seq), metrics: ms}
	n.seq++ // after 255 comes 0
	return message{topic: topic, payload: p.append(nil)}
}

package alerts

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"gapward/analysis"
)

// More than floodCount alarms within floodWithin are a flood: ISA-18.2 and
// IEC 62682 count ten in ten minutes as more than one person can take in.
const (
	floodCount  = 10
	floodWithin = 10 * time.Minute
)

// Guard watches how many alarms come, and sums up a flood of them in one
// notice. The zero value has seen none. It is itself an alarm, [AlarmFlood] or
// [UrgentFlood]: raised with the alarm that is one too many, reminded of every ten minutes
// with what came since, cleared when ten minutes have brought no more than
// ten.
//
// Urgent conditions have a guard of their own, so that a brake that fails is
// told by itself in the middle of a flood of silent signals.
type Guard struct {
	Urgent        bool
	EscalateAfter time.Duration // as of every alarm's rule

	last    []int64 // when the latest alarms came, at most floodCount + 1, the oldest first
	alarm   Alarm
	came    map[Key]int // in this flood, not told alone …
	all     int         // … and how many times in all
	fresh   int         // since the latest notice
	quietNS int64       // when the latest notice was
}

// Watches reports whether the guard counts an event: an alarm that people would
// be called for.
func (g *Guard) Watches(e Event) bool {
	return e.State == Unacknowledged && calls(e.Change) && Urgent(e.Condition) == g.Urgent && !Flood(e.Condition)
}

// Flood reports whether a condition is that of a guard: an alarm of many brakes,
// which its detail names.
func Flood(c analysis.Condition) bool { return c == AlarmFlood || c == UrgentFlood }

// Condition is that of the guard's own alarm.
func (g *Guard) Condition() analysis.Condition {
	if g.Urgent {
		return UrgentFlood
	}
	return AlarmFlood
}

// calls reports whether a change calls people where it leaves an alarm
// unacknowledged.
func calls(c Change) bool {
	return c == Raised || c == Unshelved || c == Unsuppressed || c == PutIn
}

// Came is the step of the guard when an alarm has come. quiet says that it is
// told with the flood; e, where changed, is the flood's own event.
func (g *Guard) Came(in Event) (quiet bool, e Event, changed bool) {
	g.last = append(g.last, in.AtNS)
	if n := len(g.last) - floodCount - 1; n > 0 {
		g.last = slices.Delete(g.last, 0, n)
	}
	if !g.alarm.standing && !g.over(in.AtNS) {
		return false, Event{}, false
	}
	if g.came == nil {
		g.came = map[Key]int{}
	}
	g.came[in.Key()]++
	g.all++
	g.fresh++
	if g.alarm.standing {
		return true, Event{}, false
	}
	g.quietNS = in.AtNS
	e, changed = g.find(1, in.AtNS)
	g.fresh = 0
	return true, e, changed
}

// over reports whether more than floodCount alarms came within floodWithin
// before nowNS.
func (g *Guard) over(nowNS int64) bool {
	return len(g.last) > floodCount && nowNS-g.last[len(g.last)-floodCount-1] < int64(floodWithin)
}

// Pass is the step of the guard on time having passed.
func (g *Guard) Pass(nowNS int64) (e Event, changed bool) {
	switch {
	case !g.alarm.standing || nowNS < g.WakeNS():
		return Event{}, false
	case nowNS >= g.alarm.escalateNS(g.rule()):
		g.alarm.escalated = true
		g.alarm, e, changed = g.alarm.told(nowNS, Escalated)
		e.Detail, e.Value = g.summary(), float64(g.all)
		return e, changed
	case g.over(nowNS):
		if g.quietNS = nowNS; g.fresh == 0 {
			return Event{}, false
		}
		g.alarm, e, changed = g.alarm.told(nowNS, Reminded)
		e.Detail, e.Value = g.summary(), float64(g.all)
		g.fresh = 0
		return e, changed
	}
	e, changed = g.find(-1, nowNS)
	g.came, g.all, g.fresh = nil, 0, 0
	return e, changed
}

// WakeNS is when time alone will change the guard, or math.MaxInt64.
func (g *Guard) WakeNS() int64 {
	if !g.alarm.standing {
		return math.MaxInt64
	}
	return min(g.quietNS+int64(floodWithin), g.last[0]+int64(floodWithin), g.alarm.escalateNS(g.rule()))
}

func (g *Guard) rule() Rule { return Rule{EscalateAfter: g.EscalateAfter} }

func (g *Guard) find(excess float64, nowNS int64) (e Event, changed bool) {
	words := g.summary()
	g.alarm, e, changed = g.alarm.Find(analysis.Finding{AtNS: nowNS, Condition: g.Condition(), Excess: excess,
		Value: float64(g.all), U: math.NaN(), Limit: math.NaN()}, Rule{})
	e.Detail = words
	return e, changed
}

// summary says which alarms the flood consists of, the most urgent first and
// brakes that share a condition together.
func (g *Guard) summary() string {
	subjects := map[analysis.Condition][]string{}
	for k := range g.came {
		subjects[k.Condition] = append(subjects[k.Condition], Subject(Event{Brake: k.Brake, Device: k.Device}))
	}
	order := slices.SortedFunc(maps.Keys(subjects), func(a, b analysis.Condition) int { return cmp.Compare(Urgency(a), Urgency(b)) })
	parts := make([]string, 0, len(order))
	for _, c := range order {
		names := subjects[c]
		slices.Sort(names)
		const most = 12
		more := ""
		if len(names) > most {
			more = fmt.Sprintf(" and %d more", len(names)-most)
			names = names[:most]
		}
		parts = append(parts, fmt.Sprintf("%s: %s%s", Title(c), strings.Join(names, ", "), more))
	}
	return fmt.Sprintf("more than %d in %d minutes. Besides those told one by one, %d summed up so far: %s", floodCount, int(floodWithin.Minutes()), g.all, strings.Join(parts, "; "))
}

// Alarm acknowledges and the like go to the flood's own alarm through this.
func (g *Guard) Alarm() *Alarm { return &g.alarm }

// Restore brings the guard to where it was: from the latest events of the
// site, the oldest first, of which those of the last floodWithin matter and
// those since a standing flood began.
func (g *Guard) Restore(events []Event) {
	for _, e := range events {
		switch {
		case e.Condition == g.Condition():
			g.alarm = Restore(e)
			if e.Change == Raised || e.Change == Reminded {
				g.quietNS, g.fresh = e.AtNS, 0
			}
			if !g.alarm.standing {
				g.came, g.all, g.fresh = nil, 0, 0
			}
		case g.Watches(e):
			g.last = append(g.last, e.AtNS)
			if n := len(g.last) - floodCount - 1; n > 0 {
				g.last = slices.Delete(g.last, 0, n)
			}
			if e.Marks&MarkQuiet != 0 {
				if g.came == nil {
					g.came = map[Key]int{}
				}
				g.came[e.Key()]++
				g.all++
				g.fresh++
			}
		}
	}
	if len(g.last) == 0 { // its alarms have been given up since
		g.alarm = Alarm{}
	}
}

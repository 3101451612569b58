package alerts

import (
	"math/rand/v2"
	"testing"
	"time"

	"gapward/analysis"
)

// A calm alarm may be forgotten: whatever happens afterwards, what is told of it is
// what would have been told otherwise.
func TestACalmAlarmIsAsOneThatNeverWas(t *testing.T) {
	rule := Rule{Deadband: 1, OnDelay: 2, OffDelay: 3, RemindEvery: 20 * time.Nanosecond, EscalateAfter: 12 * time.Nanosecond}
	forgot, told := 0, 0
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 7))
		rule.Latch = seed%2 == 0
		var kept, dropped Alarm
		for now := int64(1); now < 400; now += r.Int64N(4) {
			find := analysis.Finding{AtNS: now, Condition: analysis.SlowSet, Excess: 3*r.Float64() - 2, Value: r.Float64()}
			by, until, grace, what := "R. Holm", now+1+r.Int64N(20), now+r.Int64N(12), r.IntN(30)
			step := func(a Alarm) (Alarm, Event, bool) {
				switch {
				case what == 0:
					return a.Suppress(now, "a cause")
				case what < 4:
					return a.Unsuppress(now, grace)
				case what == 4:
					return a.OutOfService(now, by, "a reason")
				case what == 5:
					return a.InService(now, by)
				case what == 6 && a.State != Normal:
					return a.Shelve(now, until, by, "a reason")
				case what == 7:
					return a.Unshelve(now, by)
				case what < 10:
					return a.Acknowledge(now, by)
				case what == 10:
					return a.Again(now)
				case what < 20:
					return a.Pass(now, rule)
				}
				return a.Find(find, rule)
			}
			var e, same Event
			var changed, changedToo bool
			kept, e, changed = step(kept)
			dropped, same, changedToo = step(dropped)
			if changed != changedToo || e != same || kept.WakeNS(rule) != dropped.WakeNS(rule) || kept.Stands() != dropped.Stands() {
				t.Fatalf("seed %d, at %d: kept, the alarm tells %v %+v, and forgotten %v %+v", seed, now, changed, e, changedToo, same)
			}
			if changed {
				told++
			}
			if dropped.Calm() {
				dropped = Alarm{}
				forgot++
			}
		}
	}
	if forgot < 1000 || told < 1000 {
		t.Errorf("only %d were calm and %d events told", forgot, told)
	}
}

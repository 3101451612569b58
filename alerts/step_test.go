package alerts

import (
	"math"
	"testing"
	"time"

	"gapward/analysis"
)

func gap(atS int64, excess float64) analysis.Finding {
	return analysis.Finding{AtNS: atS * 1e9, Condition: analysis.GapAdjust, Excess: excess, Value: 2.8 + excess, Limit: 2.8, Unit: "mm"}
}

// The transitions are those of ISA-18.2 / IEC 62682 (from memory): A normal,
// B unacknowledged, C acknowledged, D returned to normal unacknowledged.
func TestLifeCycle(t *testing.T) {
	type act struct {
		find  *analysis.Finding
		ack   bool
		want  State
		event Change // 0: nothing told
	}
	at := func(s int64, excess float64) *analysis.Finding { f := gap(s, excess); return &f }
	for name, acts := range map[string][]act{
		"A to B on occurrence":            {{find: at(1, 0.1), want: Unacknowledged, event: Raised}},
		"A stays A while normal":          {{find: at(1, -0.1), want: Normal}},
		"B to C on acknowledging":         {{find: at(1, 0.1), want: Unacknowledged, event: Raised}, {ack: true, want: Acknowledged, event: Acked}},
		"B to D on return":                {{find: at(1, 0.1), want: Unacknowledged, event: Raised}, {find: at(2, -0.1), want: Returned, event: Cleared}},
		"C to A on return":                {{find: at(1, 0.1), want: Unacknowledged, event: Raised}, {ack: true, want: Acknowledged, event: Acked}, {find: at(3, -0.1), want: Normal, event: Cleared}},
		"D to A on acknowledging":         {{find: at(1, 0.1), want: Unacknowledged, event: Raised}, {find: at(2, -0.1), want: Returned, event: Cleared}, {ack: true, want: Normal, event: Acked}},
		"D to B on coming back":           {{find: at(1, 0.1), want: Unacknowledged, event: Raised}, {find: at(2, -0.1), want: Returned, event: Cleared}, {find: at(3, 0.1), want: Unacknowledged, event: Raised}},
		"C stays C while it stands":       {{find: at(1, 0.1), want: Unacknowledged, event: Raised}, {ack: true, want: Acknowledged, event: Acked}, {find: at(3, 0.2), want: Acknowledged}},
		"acknowledging nothing is nought": {{ack: true, want: Normal}},
		"within the deadband it stands":   {{find: at(1, 0.001), want: Unacknowledged, event: Raised}, {find: at(2, -0.019), want: Unacknowledged}, {find: at(3, -0.021), want: Returned, event: Cleared}},
	} {
		t.Run(name, func(t *testing.T) {
			var a Alarm
			for i, act := range acts {
				var e Event
				var changed bool
				if act.ack {
					a, e, changed = a.Acknowledge(int64(i+1)*1e9, "R. Holm")
				} else {
					a, e, changed = a.Find(*act.find, Rule{Deadband: 0.02, Latch: true})
				}
				if a.State != act.want || changed != (act.event != 0) || e.Change != act.event || (changed && e.State != act.want) {
					t.Fatalf("step %d: state %v event %v (told %v), want %v and %v", i, a.State, e.Change, changed, act.want, act.event)
				}
			}
		})
	}
}

func TestWithoutLatchAReturnIsNormal(t *testing.T) {
	r := DefaultRule(analysis.GapAdjust)
	a, _, _ := Alarm{}.Find(gap(1, 0.1), r)
	a, e, changed := a.Find(gap(2, -0.1), r)
	if !changed || e.Change != Cleared || a.State != Normal || e.State != Normal {
		t.Fatalf("state %v, event %+v (told %v)", a.State, e, changed)
	}
}

func TestDelays(t *testing.T) {
	r := Rule{OnDelay: 3 * time.Second, OffDelay: 2 * time.Second}
	var a Alarm
	var changed bool
	if a, _, changed = a.Find(gap(10, 0.1), r); changed || a.WakeNS(r) != 13e9 {
		t.Fatalf("raised before its on-delay, or wakes at %d", a.WakeNS(r))
	}
	if a, _, changed = a.Find(gap(11, -0.1), r); changed {
		t.Fatal("a condition that went away within the on-delay was told of")
	}
	a, _, _ = a.Find(gap(20, 0.1), r)
	a, e, changed := a.Pass(23e9, r)
	if !changed || e.Change != Raised || e.AtNS != 23e9 || e.SinceNS != 20e9 {
		t.Fatalf("after the on-delay: told %v, %+v", changed, e)
	}
	a, _, _ = a.Find(gap(30, -0.1), r)
	if a, _, changed = a.Pass(31e9, r); changed {
		t.Fatal("cleared before its off-delay")
	}
	if a, e, changed = a.Pass(32e9, r); !changed || e.Change != Cleared {
		t.Fatalf("after the off-delay: told %v, %+v", changed, e)
	}
	if a.WakeNS(r) != math.MaxInt64 {
		t.Fatal("a settled alarm wants to be woken")
	}
}

func TestRestoredAlarmGoesOnWhereItWas(t *testing.T) {
	r := DefaultRule(analysis.GapAdjust)
	var a Alarm
	a, e, _ := a.Find(gap(1, 0.1), r)
	b := Restore(e)
	_, ea, ca := a.Find(gap(5, -0.1), r)
	_, eb, cb := b.Find(gap(5, -0.1), r)
	if ea != eb && !(math.IsNaN(ea.U) && math.IsNaN(eb.U)) || ca != cb {
		t.Fatalf("restored %+v, kept %+v", eb, ea)
	}
	if _, _, again := Restore(e).Find(gap(5, 0.2), r); again {
		t.Fatal("a restored alarm was raised again")
	}
}

package alerts

import (
	"strings"
	"testing"
	"time"

	"gapward/analysis"
)

// The ways into and out of being held back are those of ISA-18.2 / IEC 62682
// (from memory): from any state into shelved, suppressed by design and out of
// service; out of them to unacknowledged where the condition stands, and to
// normal where it doesn't.
func TestHoldingBack(t *testing.T) {
	r := Rule{Latch: true}
	find := func(excess float64) func(Alarm, int64) (Alarm, Event, bool) {
		return func(a Alarm, s int64) (Alarm, Event, bool) { return a.Find(gap(s, excess), r) }
	}
	ack := func(a Alarm, s int64) (Alarm, Event, bool) { return a.Acknowledge(s*1e9, "R. Holm") }
	shelve := func(a Alarm, s int64) (Alarm, Event, bool) {
		return a.Shelve(s*1e9, 100e9, "R. Holm", "waiting for parts")
	}
	unshelve := func(a Alarm, s int64) (Alarm, Event, bool) { return a.Unshelve(s*1e9, "R. Holm") }
	expire := func(a Alarm, s int64) (Alarm, Event, bool) { return a.Pass(100e9, r) }
	suppress := func(a Alarm, s int64) (Alarm, Event, bool) { return a.Suppress(s*1e9, "io does not answer") }
	unsuppress := func(a Alarm, s int64) (Alarm, Event, bool) { return a.Unsuppress(s*1e9, 0) }
	out := func(a Alarm, s int64) (Alarm, Event, bool) { return a.OutOfService(s*1e9, "K. Berg", "motor away") }
	in := func(a Alarm, s int64) (Alarm, Event, bool) { return a.InService(s*1e9, "K. Berg") }

	type step struct {
		do    func(Alarm, int64) (Alarm, Event, bool)
		want  State
		event Change // 0: nothing
		told  bool
	}
	for name, steps := range map[string][]step{
		"shelved while it stands, told again at the end": {{find(1), Unacknowledged, Raised, true}, {shelve, Shelved, ShelvedBy, true}, {ack, Shelved, 0, false}, {expire, Unacknowledged, Unshelved, true}},
		"shelved, gone meanwhile":                        {{find(1), Unacknowledged, Raised, true}, {shelve, Shelved, ShelvedBy, true}, {find(-1), Shelved, Cleared, false}, {expire, Normal, Unshelved, false}},
		"shelved, gone and come again":                   {{find(1), Unacknowledged, Raised, true}, {shelve, Shelved, ShelvedBy, true}, {find(-1), Shelved, Cleared, false}, {find(1), Shelved, Raised, false}, {unshelve, Unacknowledged, Unshelved, true}},
		"shelved after it was acknowledged":              {{find(1), Unacknowledged, Raised, true}, {ack, Acknowledged, Acked, true}, {shelve, Shelved, ShelvedBy, true}, {unshelve, Unacknowledged, Unshelved, true}},
		"suppressed before it comes":                     {{suppress, Normal, 0, false}, {find(1), Suppressed, Raised, false}, {find(-1), Normal, Cleared, false}, {unsuppress, Normal, 0, false}},
		"suppressed, and its cause ends before it does":  {{suppress, Normal, 0, false}, {find(1), Suppressed, Raised, false}, {unsuppress, Unacknowledged, Unsuppressed, true}},
		"suppressed while it stands":                     {{find(1), Unacknowledged, Raised, true}, {suppress, Suppressed, SuppressedBy, false}, {suppress, Suppressed, 0, false}, {find(-1), Normal, Cleared, true}},
		"out of service while it stands":                 {{find(1), Unacknowledged, Raised, true}, {out, NotInService, PutOut, false}, {in, Unacknowledged, PutIn, true}},
		"out of service stands above shelved":            {{find(1), Unacknowledged, Raised, true}, {shelve, Shelved, ShelvedBy, true}, {out, NotInService, PutOut, false}, {expire, NotInService, Unshelved, false}, {in, Unacknowledged, PutIn, true}},
		"gone unacknowledged, then out of service":       {{find(1), Unacknowledged, Raised, true}, {find(-1), Returned, Cleared, true}, {out, Normal, PutOut, false}, {in, Normal, 0, false}},
	} {
		t.Run(name, func(t *testing.T) {
			var a Alarm
			for i, s := range steps {
				next, e, changed := s.do(a, int64(i+1))
				if next.State != s.want || changed != (s.event != 0) || e.Change != s.event || changed && Told(e, false) != s.told {
					t.Fatalf("step %d: state %v, event %v (%v, people told %v); want %v, %v, told %v", i, next.State, e.Change, changed, changed && Told(e, false), s.want, s.event, s.told)
				}
				a = next
				if !changed {
					continue
				}
				// What is stored is enough to go on from, also in the middle; what holds
				// back a normal alarm is restored with its cause.
				holds := a.holds
				if a.State == Normal {
					holds &= MarkShelved
				}
				if back := Restore(e); back.State != a.State || back.standing != a.standing || back.holds != holds || back.untilNS != e.UntilNS {
					t.Fatalf("step %d: restored as %+v, was %+v", i, back, a)
				}
			}
		})
	}
}

// What a cause explained is told only if it still stands when the time to be
// gone too is up.
func TestGraceAfterACause(t *testing.T) {
	a, _, _ := Alarm{}.Suppress(1e9, "io does not answer")
	a, _, _ = a.Find(gap(2, 1), Rule{})
	a, e, _ := a.Unsuppress(10e9, 20e9)
	if a.State != Normal || Told(e, false) || a.WakeNS(Rule{}) != 20e9 {
		t.Fatalf("right after its cause it is %v, told %v, wakes at %d", a.State, Told(e, false), a.WakeNS(Rule{}))
	}
	gone, _, changed := a.Find(gap(15, -1), Rule{})
	if changed || gone.WakeNS(Rule{}) < 1e18 {
		t.Error("one that is gone within its grace is told of")
	}
	if a, e, changed = a.Pass(20e9, Rule{}); !changed || a.State != Unacknowledged || !Told(e, false) {
		t.Errorf("one that still stands is %v, told %v", a.State, changed)
	}
}

func TestShelvingNeedsAnEndAndAReason(t *testing.T) {
	for want, c := range map[string]struct {
		d      time.Duration
		reason string
	}{
		"":                {8 * time.Hour, "waiting for parts"},
		"needs a reason":  {time.Hour, "  "},
		"may have 200":    {time.Hour, strings.Repeat("x", 201)},
		"must end":        {0, "for ever"},
		"7 days at most":  {8 * 24 * time.Hour, "waiting for parts"},
		"must end, and n": {-time.Hour, "yesterday"},
	} {
		err := CheckShelf(5e18, 5e18+int64(c.d), c.reason)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("for %v because %q: %v, want %q", c.d, c.reason, err, want)
		}
	}
}

func TestMessagesOfHolds(t *testing.T) {
	at := time.Date(2026, 11, 25, 1, 2, 3, 0, time.UTC).UnixNano()
	a, _, _ := Alarm{}.Find(analysis.Finding{AtNS: at, Condition: analysis.GapAdjust, Excess: 0.1, Value: 2.84, U: 0.03, Limit: 2.8, Unit: "mm"}, Rule{})
	_, e, _ := a.Shelve(at+60e9, at+3660e9, "R. Holm", "parts are\non order")
	e.Brake = "quay-2/main"
	const want = "Shelved by R. Holm until 2026-11-25 02:03:03 UTC (parts are on order): Air gap is due for adjustment: quay-2/main, 2.84 ± 0.06 mm, limit 2.80 mm, since 2026-11-25 01:02:03 UTC"
	if got := Message(e); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	const line = `{"type":"alarm","brake":"quay-2/main","time":"2026-11-25T01:03:03Z","condition":"gap-adjust","state":"shelved","value":2.84,"unit":"mm","limit":2.8,"life_cycle":"shelved","until":"2026-11-25T02:03:03Z","by":"R. Holm","reason":"parts are\non order"}`
	if got := string(e.AppendJSON(nil)); got != line {
		t.Errorf("got  %s\nwant %s", got, line)
	}
}

// A hold that ends while its alarm is normal makes no event; so after a restart
// an alarm that was last normal is held back by nothing but its shelving.
func TestANormalAlarmIsRestoredFree(t *testing.T) {
	r := Rule{}
	for _, hold := range []func(Alarm) (Alarm, Event, bool){
		func(a Alarm) (Alarm, Event, bool) { return a.Suppress(2, "io does not answer") },
		func(a Alarm) (Alarm, Event, bool) { return a.OutOfService(2, "K. Berg", "motor away") },
	} {
		a, _, _ := Alarm{}.Find(analysis.Finding{AtNS: 1, Condition: analysis.SignalStale, Excess: 1}, r)
		a, _, _ = hold(a)
		_, e, changed := a.Find(analysis.Finding{AtNS: 3, Condition: analysis.SignalStale, Excess: -1}, r)
		if !changed || e.State != Normal {
			t.Fatalf("%+v", e)
		}
		_, e, _ = Restore(e).Find(analysis.Finding{AtNS: 4, Condition: analysis.SignalStale, Excess: 1}, r)
		if e.State != Unacknowledged || !Told(e, false) {
			t.Errorf("restored, nobody is called for it: it is %v", e.State)
		}
	}
}

// What a person has shelved stays shelved by him, for his reason, whatever else
// holds it back; and afterwards it is suppressed by its cause.
func TestShelvingShowsBeforeSuppressing(t *testing.T) {
	a, _, _ := Alarm{}.Find(analysis.Finding{AtNS: 1, Condition: analysis.GapAdjust, Excess: 1}, Rule{})
	a, _, _ = a.Shelve(2, 100, "R. Holm", "waiting for parts")
	a, e, _ := a.Suppress(3, "the air gap has reached its maximum")
	if e.State != Shelved || e.By != "R. Holm" || e.Reason != "waiting for parts" {
		t.Errorf("suppressed while shelved: %+v", e)
	}
	a, e, _ = a.Pass(100, Rule{})
	if e.Change != Unshelved || e.State != Suppressed || e.Reason != "the air gap has reached its maximum" {
		t.Errorf("its time is up: %+v", e)
	}
	if _, e, _ = Restore(e).Unsuppress(101, 0); e.State != Unacknowledged || e.Reason != "" {
		t.Errorf("its cause is over: %+v", e)
	}
	_ = a
}

package report

import (
	"math"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

func TestSpansAreReadAsPeopleWriteThem(t *testing.T) {
	zone := time.FixedZone("CET", 3600)
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, zone)
	for _, c := range []struct {
		text string
		want time.Time
	}{
		{"", now},
		{"2026-02-28", time.Date(2026, 3, 1, 0, 0, 0, 0, zone)}, // to the day's end
		{"2026-03-02", now}, // which isn't over
		{"2026-02-28T10:00:00Z", time.Date(2026, 2, 28, 10, 0, 0, 0, time.UTC)},
	} {
		if got, err := ParseEnd(c.text, now); err != nil || !got.Equal(c.want) {
			t.Errorf("the end %q is %v, %v; want %v", c.text, got, err, c.want)
		}
	}
	if got, err := ParseBeginning("2026-02-28", now, zone); err != nil || !got.Equal(time.Date(2026, 2, 28, 0, 0, 0, 0, zone)) {
		t.Errorf("the beginning is %v, %v", got, err)
	}
	for _, bad := range []string{"yesterday", "2026-02-30", "28.2.2026", "1066-10-14T09:00:00Z"} {
		if _, err := ParseBeginning(bad, now, zone); err == nil {
			t.Errorf("%q was taken for a time", bad)
		}
	}
}

// Worked by hand: of the span from hour 10 to hour 20, an alarm from 8 to 12 takes
// two hours, one from 15 that stands five, and one over before it none.
func TestAlarmsOfASpan(t *testing.T) {
	hour := func(h int) time.Time { return time.Unix(0, 0).Add(time.Duration(h) * time.Hour) }
	m := maker{Query: Query{From: hour(10), To: hour(20), Now: hour(30)}}
	event := func(h, since int, brake string, c analysis.Condition, ch alerts.Change) store.AlarmRow {
		return store.AlarmRow{Event: alerts.Event{AtNS: hour(h).UnixNano(), SinceNS: hour(since).UnixNano(), Brake: brake, Condition: c, Change: ch, By: "K. Berg", Value: math.NaN(), Limit: math.NaN()}}
	}
	list := m.stood([]store.AlarmRow{ // the newest first
		event(25, 25, "a", analysis.GapMax, alerts.Raised), // after the span
		event(16, 15, "b", analysis.SignalFault, alerts.Acked),
		event(15, 15, "b", analysis.SignalFault, alerts.Raised),
		event(12, 8, "a", analysis.SignalFault, alerts.Cleared),
		event(8, 8, "a", analysis.SignalFault, alerts.Raised),
		event(6, 5, "a", analysis.SignalStale, alerts.Cleared),
		event(5, 5, "a", analysis.SignalStale, alerts.Raised), // before the span
	})
	if len(list) != 2 || list[0].Cleared == "" || list[0].seconds != 7200 || list[1].Cleared != "" || list[1].By != "K. Berg" || list[1].seconds != 5*3600 {
		t.Fatalf("%+v", list)
	}
	h := m.health(list, []analysis.Condition{analysis.SignalFault, analysis.SignalStale}, alerts.Title)
	if h[0].Times != 2 || *h[0].Hours != 7 || *h[0].GoodPart != 0.3 || h[1].Times != 0 || *h[1].GoodPart != 1 {
		t.Errorf("%+v", h)
	}
}

func TestEntriesInWords(t *testing.T) {
	ring := analysis.Adjuster{Ring: &analysis.Ring{Holes: 6, PitchMM: 3, Uses: 3}}
	six, gap, u := 6.0, 1.7, 0.05
	for want, e := range map[string]EntryBody{
		"adjusted by one hole back (in place of entry 4)": {Kind: "adjustment", Steps: -1, Corrects: 4},
		"a gap of 1.70 ± 0.10 mm read by hand 3 times":    {Kind: "reading", GapMM: &gap, GapUMM: &u, Repeats: 3},
		"a new lining of 6 mm, at a gap of 1.7 mm":        {Kind: "lining", ThicknessMM: &six, GapMM: &gap},
		"retest: without load passed, with load failed":   {Kind: "retest", NoLoad: analysis.Passed, WithLoad: analysis.Failed},
		"entry 4 withdrawn":                               {Kind: "correction", Corrects: 4},
		"out of service":                                  {Kind: "out-of-service"},
	} {
		if got := EntryWords(ring, e); got != want {
			t.Errorf("it reads %q, want %q", got, want)
		}
	}
}

// What people type is no formula, and a gap that has shrunk is a number.
func TestCellsOfATable(t *testing.T) {
	for text, want := range map[string]string{"-0.498389": "-0.498389", "-1": "-1", "+2": "+2", "0.5": "0.5", "": "", "K. Berg": "K. Berg",
		"=1+1": "'=1+1", "-1+cmd": "'-1+cmd", "@x": "'@x", "+x": "'+x", "- wet": "'- wet", "\tx": "'\tx"} {
		if got := cell(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}

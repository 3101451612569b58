package gateway

import (
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// A graver condition of a brake holds back the lesser ones that it explains:
// nobody is called for them while it stands, or told that they stand still. What
// was found is stored all the same.
func TestAGraverConditionExplainsTheLesser(t *testing.T) {
	b := newBelfry(t, patientSite(t, 2, "alarms: {remind_every: 4h}\n", "1000h"))
	told := func(want ...string) {
		t.Helper()
		if got := b.told(false); !slices.Equal(got, want) {
			t.Fatalf("told %q, want %q", got, want)
		}
	}
	b.find(0, analysis.ForecastDue, 1)
	b.pass(time.Minute)
	b.find(0, analysis.GapAdjust, 1) // explains forecast-due …
	b.pass(time.Minute)
	b.find(1, analysis.GapAdjust, 1)
	b.pass(time.Minute)
	b.find(0, analysis.GapMax, 1) // … and is explained itself, on its brake alone
	sofar := []string{"c/b00 forecast-due raised", "c/b00 gap-adjust raised", "c/b01 gap-adjust raised", "c/b00 gap-max raised"}
	told(sofar...)
	b.begin() // a restart in between changes nothing
	b.pass(4 * time.Hour)
	sofar = append(sofar, "c/b00 gap-max reminded", "c/b01 gap-adjust reminded")
	slices.Sort(sofar[4:])
	got := b.told(false)
	slices.Sort(got[4:])
	if !slices.Equal(got, sofar) {
		t.Fatalf("told %q, want %q", got, sofar)
	}
	latest := map[analysis.Condition]alerts.Event{}
	for _, e := range b.events {
		if e.Brake == "c/b00" {
			latest[e.Condition] = e
		}
	}
	for c, because := range map[analysis.Condition]string{analysis.GapAdjust: "the air gap has reached its maximum", analysis.ForecastDue: "the air gap is due for adjustment"} {
		if e := latest[c]; e.State != alerts.Suppressed || e.Reason != because || e.Marks&alerts.MarkStanding == 0 {
			t.Errorf("%s is %v because %q", c, e.State, e.Reason)
		}
	}
	// Adjusted, but not far enough: what is left is told anew.
	n := len(b.told(false))
	b.find(0, analysis.GapMax, -1)
	if got, want := b.told(false)[n:], []string{"c/b00 gap-max cleared", "c/b00 gap-adjust unsuppressed"}; !slices.Equal(got, want) {
		t.Fatalf("told %q, want %q", got, want)
	}
	// Beyond the maximum again, and then adjusted as it should be: nobody is called
	// in between.
	b.find(0, analysis.GapMax, 1)

	var batch store.Batch
	for _, c := range []analysis.Condition{analysis.GapMax, analysis.GapAdjust, analysis.ForecastDue} {
		b.p.out.Findings = append(b.p.out.Findings, analysis.Finding{AtNS: b.nowNS, Condition: c, Excess: -5, Value: 1, U: 0.1, Limit: 1, Unit: "mm"})
	}
	b.p.collect(&b.p.lines[0], &batch)
	for _, a := range batch.Alarms {
		if a.State != alerts.Normal || a.Change != alerts.Cleared {
			t.Errorf("%s is %v after an adjustment, %v", a.Condition, a.State, a.Change)
		}
	}
	// Replay tells what was found, and not for what people are called.
	batch.Alarms = nil
	for _, e := range b.events {
		batch.Alarms = append(batch.Alarms, store.AlarmRow{Event: e})
	}
	lines := string(AppendLines(nil, &batch))
	if strings.Contains(lines, `"state":"suppressed"`) || strings.Contains(lines, `"state":"unsuppressed"`) || !strings.Contains(lines, `"condition":"gap-adjust","state":"raised"`) {
		t.Errorf("the lines of a replay: %s", lines)
	}
}

// What jumps beyond the maximum at once is one notice.
func TestAJumpBeyondTheMaximumIsOneAlarm(t *testing.T) {
	b := newBelfry(t, hangingSite(t, 1, ""))
	var batch store.Batch
	for _, c := range []analysis.Condition{analysis.GapMax, analysis.GapAdjust, analysis.NotSet, analysis.SlowSet, analysis.NotReleased, analysis.SlowRelease} {
		b.p.out.Findings = append(b.p.out.Findings, analysis.Finding{AtNS: b.nowNS, Condition: c, Excess: 1, Value: 4, U: 0.1, Limit: 3.4, Unit: "mm"})
	}
	b.p.collect(&b.p.lines[0], &batch)
	b.take(&batch)
	if got, want := b.told(false), []string{"c/b00 gap-max raised", "c/b00 not-set raised", "c/b00 not-released raised"}; !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
	if len(b.events) != 6 {
		t.Errorf("%d events are stored, want the six that were found", len(b.events))
	}
}

// A device's symptoms and what a graver condition explains are different
// conditions: each has one cause that holds it back.
func TestNothingIsExplainedTwice(t *testing.T) {
	place := func(c analysis.Condition) int { return slices.Index(analysis.Conditions(), c) }
	for _, x := range alerts.Explained() {
		if alerts.Symptom(x.Condition) {
			t.Errorf("%s is a symptom of a silent device too", x.Condition)
		}
		for _, by := range x.By {
			if place(by) < 0 || place(by) >= place(x.Condition) {
				t.Errorf("%s is to explain %s, which is not less urgent", by, x.Condition)
			}
		}
	}
}

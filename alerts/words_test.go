package alerts

import (
	"math"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
)

func TestEveryConditionHasWords(t *testing.T) {
	titles := map[string]analysis.Condition{}
	for _, c := range Conditions() {
		title, step := Title(c), FirstStep(c)
		if title == "" || title == string(c) || strings.HasSuffix(title, ".") {
			t.Errorf("the title of %s is %q; want plain words without a full stop", c, title)
		}
		if other, ok := titles[title]; ok {
			t.Errorf("%s and %s share the title %q", c, other, title)
		}
		titles[title] = c
		if !strings.HasSuffix(step, ".") || strings.Count(step, ". ") > 1 || step == FirstStep("unheard-of") {
			t.Errorf("the first step of %s is %q; want one or two sentences of its own", c, step)
		}
		for _, text := range []string{title, step} {
			if strings.Contains(strings.ToLower(text), "engage") {
				t.Errorf("%q says engaged, which means both set and released", text)
			}
		}
	}
}

func TestAnUnknownConditionIsStillNamed(t *testing.T) {
	if got := Title("unheard-of"); got != "unheard-of" {
		t.Errorf("its title is %q", got)
	}
	if FirstStep("unheard-of") == "" {
		t.Error("it has no first step")
	}
}

func TestCautionsCoverWhatAPersonMustKnow(t *testing.T) {
	all := strings.ToLower(strings.Join(Cautions(), " "))
	for _, part := range []string{"load", "hook", "isolate", "lock", "dead", "qualified", "maker's instructions", "local rules", "test", "service", "not a safety function"} {
		if !strings.Contains(all, part) {
			t.Errorf("the cautions don't speak of %q", part)
		}
	}
}

func TestMessage(t *testing.T) {
	nan := math.NaN()
	since := time.Date(2026, 11, 25, 1, 2, 3, 999, time.UTC).UnixNano()
	until := since + int64(26*time.Hour)
	for _, c := range []struct {
		e    Event
		want string
	}{
		{Event{Condition: analysis.GapAdjust, Brake: "quay-2/main", Change: Raised, Value: 2.8441, U: 0.0261, Limit: 2.8, Unit: "mm"},
			"Air gap is due for adjustment: quay-2/main, 2.84 ± 0.06 mm, limit 2.80 mm, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.GapMax, Brake: "quay-2/main", Change: Raised, Value: 3.4, U: 0.0001, Limit: 3.4, Unit: "mm"},
			"Air gap has reached its maximum: quay-2/main, 3.40 ± 0.01 mm, limit 3.40 mm, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.GapAdjust, Brake: "quay-2/main", Change: Cleared, Value: 1.61, U: 0.02, Limit: 2.8, Unit: "mm"},
			"Cleared: Air gap is due for adjustment: quay-2/main, 1.61 ± 0.04 mm, limit 2.80 mm, since 2026-11-25 01:02:03 UTC until 2026-11-26 03:02:03 UTC"},
		{Event{Condition: analysis.NotReleased, Brake: "quay-2/creep", Change: Raised, Value: 1.0204, U: nan, Limit: 1, Unit: "s"},
			"Brake does not release: quay-2/creep, 1020 ms, limit 1000 ms, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.SlowRelease, Brake: "quay-2/creep", Change: Acked, By: "night\nshift", Value: 0.2614, U: 0.0021, Limit: 0.25, Unit: "s"},
			"Acknowledged by night shift: Brake releases slowly: quay-2/creep, 261 ± 5 ms, limit 250 ms, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.SlowSet, Brake: "quay-2/creep", Change: Acked, Value: 0.5, U: 0, Limit: 0.3, Unit: "s"},
			"Acknowledged: Brake sets slowly: quay-2/creep, 500 ms, limit 300 ms, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.SignalStale, Brake: "quay-2/main", Change: Raised, Value: 61.6, U: nan, Limit: 60, Unit: "s"},
			"Signal is silent: quay-2/main, for 62 s, limit 60 s, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.SignalFault, Brake: "quay-2/main", Signal: "travel", Change: Raised, Value: 0.2776, U: nan, Limit: nan, Unit: "s"},
			"Signal is faulty: quay-2/main travel, for 278 ms, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: UrgentFlood, Change: Raised, Value: 1, U: nan, Limit: nan, Detail: "more than 10 in 10 minutes. Brake does not release: quay-2/main"},
			"Many brakes fail at once, since 2026-11-25 01:02:03 UTC: more than 10 in 10 minutes. Brake does not release: quay-2/main"},
		{Event{Condition: AlarmFlood, Change: Cleared, Value: 1, U: nan, Limit: nan, Detail: "more than 10 in 10 minutes."},
			"Cleared: Many alarms at once, since 2026-11-25 01:02:03 UTC until 2026-11-26 03:02:03 UTC: more than 10 in 10 minutes."},
		{Event{Condition: analysis.ForecastDue, Brake: "quay-2/main", Change: Raised, Value: 23.4, U: nan, Limit: 30, Unit: "d"},
			"Adjustment will be due soon: quay-2/main, 23 days, limit 30 days, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.ForecastDue, Brake: "quay-2/main", Change: Raised, Value: 1.2, U: nan, Limit: 30, Unit: "d"},
			"Adjustment will be due soon: quay-2/main, 1 day, limit 30 days, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.GapStep, Brake: "quay-2/main", Change: Raised, Value: -0.5, U: nan, Limit: nan, Unit: "mm"},
			"Air gap has changed suddenly: quay-2/main, -0.50 mm, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.GapStep, Brake: "quay-2/main", Change: Raised, Value: -0.001, U: nan, Limit: math.Inf(1), Unit: "mm"},
			"Air gap has changed suddenly: quay-2/main, 0.00 mm, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.LiningSpent, Brake: "quay-2/main", Change: Raised, Value: 0, U: nan, Limit: 0},
			"Lining is used up: quay-2/main, 0, limit 0, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.DutyHigh, Brake: "quay-2/main", Change: Raised, Value: 61.25, U: nan, Limit: 40, Unit: "%"},
			"Hoist works harder than set: quay-2/main, 61.25 %, limit 40 %, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.GatewayFault, Change: Raised, Value: nan, U: nan, Limit: nan},
			"gapward itself has a fault: gateway, since 2026-11-25 01:02:03 UTC"},
		{Event{Condition: analysis.GatewayFault, Change: Raised, Value: nan, U: nan, Limit: nan, Detail: "the database takes nothing:\nit is full"},
			"gapward itself has a fault: gateway, the database takes nothing: it is full, since 2026-11-25 01:02:03 UTC"},
	} {
		c.e.SinceNS, c.e.AtNS = since, until
		if got := Message(c.e); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

// A fault that has gone lasted no time any more: nothing is said of that.
func TestMessagesSayNoTimeThatWasNone(t *testing.T) {
	nan := math.NaN()
	for _, c := range []analysis.Condition{analysis.SignalFault, DeviceSilent, analysis.NotSet} {
		text := Message(Event{AtNS: 2e9, SinceNS: 1e9, Brake: "quay-2/main", Condition: c, Change: Cleared, Value: 0, U: nan, Limit: nan, Unit: "s"})
		if strings.Contains(text, " ms") || strings.Contains(text, " 0 ") {
			t.Errorf("%s", text)
		}
	}
}

package page

import (
	"math"
	"testing"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

func TestWorstFirst(t *testing.T) {
	alarm := func(c analysis.Condition, s alerts.State) store.AlarmRow {
		return store.AlarmRow{Event: alerts.Event{Condition: c, State: s}}
	}
	at := func(name string, s analysis.State, gap float64, alarms ...store.AlarmRow) standing {
		b := brakeOf(name, "", 1.2, 1.6, 2.8, 3.4)
		one := standing{brake: &b, judged: s != analysis.Unknown, verdict: analysis.Verdict{State: s, GapMM: gap, GapUMM: 0.02}, alarms: alarms}
		one.judge()
		return one
	}
	nan := math.NaN()
	all := []standing{
		at("fine", analysis.InLimits, 1.7),
		at("nearer", analysis.InLimits, 2.3),
		at("nothing", analysis.Unknown, nan),
		at("gone", analysis.InLimits, 1.7, alarm(analysis.SlowSet, alerts.Returned)),
		at("plan", analysis.InLimits, 2.6, alarm(analysis.ForecastDue, alerts.Unacknowledged)),
		at("silent", analysis.Unknown, nan, alarm(analysis.SignalStale, alerts.Acknowledged)),
		at("adjust", analysis.AdjustDue, 2.81, alarm(analysis.GapAdjust, alerts.Unacknowledged)),
		at("adjust more", analysis.AdjustDue, 2.95),
		at("narrow", analysis.TooNarrow, 1.1),
		at("stop, known", analysis.StopUsing, 3.5, alarm(analysis.GapMax, alerts.Acknowledged)),
		at("stop", analysis.StopUsing, 3.45, alarm(analysis.GapMax, alerts.Unacknowledged)),
		at("stuck", analysis.InLimits, 1.7, alarm(analysis.SlowRelease, alerts.Unacknowledged), alarm(analysis.NotReleased, alerts.Unacknowledged)),
	}
	sortWorstFirst(all)
	want := []struct {
		name, word string
		level      level
	}{
		{"stop", "Stop using", danger}, {"stuck", "Not released", danger}, {"stop, known", "Stop using", danger},
		{"narrow", "Too narrow", abnormal}, {"adjust more", "Adjust", abnormal}, {"adjust", "Adjust", abnormal},
		{"silent", "Signal silent", abnormal}, {"plan", "Adjust soon", notice}, {"gone", "To acknowledge", notice},
		{"nothing", "Not measured", unknown}, {"nearer", "In limits", normal}, {"fine", "In limits", normal},
	}
	for i, w := range want {
		if got := all[i]; got.brake.Name != w.name || got.word != w.word || got.level != w.level {
			t.Errorf("place %d: %s, %q, %s; want %s, %q, %s", i, got.brake.Name, got.word, got.level, w.name, w.word, w.level)
		}
	}
	if first := all[1].alarms[0].Condition; first != analysis.NotReleased {
		t.Errorf("the first of its alarms is %s, want not-released", first)
	}
}

func TestEveryConditionHasAHeadline(t *testing.T) {
	for _, c := range analysis.Conditions() {
		if word, l := headline(c); word == string(c) || word == "" || l == normal || l == unknown {
			t.Errorf("%s: headline %q, level %s", c, word, l)
		}
	}
}

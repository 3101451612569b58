package page

import (
	"testing"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
)

// Each signal has the gravest NE 107 category of what stands against it, and
// none of what stands against the brake or another signal.
func TestSignalsHaveTheirCategories(t *testing.T) {
	alarm := func(c analysis.Condition, signal, unit string, state alerts.State) store.AlarmRow {
		return store.AlarmRow{Event: alerts.Event{Condition: c, Signal: signal, Unit: unit, State: state}}
	}
	odd := make([]store.CycleRow, 10)
	for i := range odd[:2] {
		odd[i].Flags = analysis.FlagSpikes
	}
	for _, c := range []struct {
		what          string
		alarms        []store.AlarmRow
		cycles        []store.CycleRow
		travel, drive string
	}{
		{what: "nothing", travel: "good", drive: "good"},
		{what: "a worn brake", alarms: []store.AlarmRow{alarm(analysis.GapMax, "", "mm", alerts.Unacknowledged)}, travel: "good", drive: "good"},
		{what: "a moved probe", alarms: []store.AlarmRow{alarm(analysis.SignalFault, "travel", "mm", alerts.Unacknowledged)},
			travel: "maintenance required", drive: "good"},
		{what: "a broken wire", alarms: []store.AlarmRow{alarm(analysis.SignalFault, "travel", "s", alerts.Acknowledged)}, travel: "failure", drive: "good"},
		{what: "a contradiction and silence", alarms: []store.AlarmRow{alarm(analysis.SignalsDisagree, "", "", alerts.Unacknowledged),
			alarm(analysis.SignalStale, "travel", "s", alerts.Unacknowledged)}, travel: "failure", drive: "good"},
		{what: "a contradiction", alarms: []store.AlarmRow{alarm(analysis.SignalsDisagree, "", "", alerts.Unacknowledged)}, travel: "out of specification", drive: "good"},
		{what: "silence that is gone", alarms: []store.AlarmRow{alarm(analysis.SignalStale, "drive", "s", alerts.Returned)}, travel: "good", drive: "good"},
		{what: "spikes", cycles: odd, travel: "maintenance required", drive: "good"},
	} {
		b := &standing{brake: &Brake{Signals: []sensors.Signal{sensors.Travel, sensors.Drive}}, alarms: c.alarms}
		views := viewHealth(b, c.cycles, nil)
		if len(views) != 2 || views[0].Category != c.travel || views[1].Category != c.drive {
			t.Errorf("%s: %+v, want %s and %s", c.what, views, c.travel, c.drive)
		}
	}
	out := alarm(analysis.SignalStale, "drive", "s", alerts.NotInService)
	out.Marks = alerts.MarkStanding
	b := &standing{brake: &Brake{Signals: []sensors.Signal{sensors.Drive}}, held: []store.AlarmRow{out}}
	if views := viewHealth(b, nil, nil); views[0].Category != "check function" || views[0].Why == "" {
		t.Errorf("out of service: %+v", views)
	}
	// Two signals fall silent, and there is one alarm; one hasn't spoken at all.
	b = &standing{brake: &Brake{Name: "hoist", Signals: []sensors.Signal{sensors.Travel, sensors.Drive}}}
	mute := func(string, sensors.Signal) bool { return false }
	if views := viewHealth(b, odd, mute); views[0].Category != "nothing heard yet" || views[1].Category != "nothing heard yet" || views[1].Level != unknown {
		t.Errorf("before anything is heard: %+v", views)
	}
	b.alarms = []store.AlarmRow{alarm(analysis.SignalStale, "travel", "s", alerts.Unacknowledged)}
	if views := viewHealth(b, nil, mute); views[1].Category != "failure" || views[1].Why != "Signal is silent" {
		t.Errorf("silent beside the one that has the alarm: %+v", views)
	}
}

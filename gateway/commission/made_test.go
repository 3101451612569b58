package commission

import (
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/sensors"
	"gapward/simulator"
)

// madeQuay is a site whose devices make times themselves.
const madeQuay = `
site: Test Quay
data: DATA
devices:
  quay-io: {modbus: "tcp://ADDRESS", unit: 1, timeout: 1s}
  pit-io: {modbus: "tcp://PIT", unit: 2, timeout: 1s}
brakes:
  - name: quay-1/hoist
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 300ms, set: 300ms}
    signals:
      travel: {device: quay-io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 50ms, u_mm: 0.01}
      drive: {device: quay-io, discrete: 0, stamp: {input: 20, clock: 24, step: 1ms}}
      released: {device: quay-io, discrete: 1, stamp: {input: 21, clock: 24, step: 1ms}}
      release_ms: {device: quay-io, input: 30, counter: 31, u_ms: 2}
      set_ms: {device: quay-io, input: 32, counter: 33, u_ms: 2}
  - name: pit-1/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    timing: {release: 300ms, set: 300ms}
    signals:
      drive: {device: pit-io, coil: 16, poll: 50ms, stamp: {holding: 110, clock: 118, type: u32, words: cdab, step: 100us}}
      released: {device: pit-io, coil: 17, poll: 50ms, stamp: {holding: 112, clock: 118, type: u32, words: cdab, step: 100us}}
      release_ms: {device: pit-io, holding: 130, counter: 131}
`

const spareMade = `  - name: spare-1/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    signals:
      drive: {device: quay-io, discrete: 8}
      release_ms: {device: quay-io, input: 34, counter: 35}
`

func standMade(t *testing.T, spoil func([]simulator.BrakeSpec), events ...simulator.Event) string {
	t.Helper()
	text := strings.NewReplacer("ADDRESS", freeAddress(t), "PIT", freeAddress(t), "DATA", t.TempDir()).Replace(madeQuay)
	// A brake that never frees, and that no site file names: nothing is measured of it.
	standAs(t, text+spareMade, spoil, append(events, simulator.Event{Brake: "spare-1/hoist", Fault: simulator.NotFreeing})...)
	return text
}

func TestTimesThatDevicesMakeAreProven(t *testing.T) {
	t.Parallel()
	site := told(t, standMade(t, nil))
	opt := Options{By: "A. Fitter", Auto: 60 * time.Second, Gauge: map[string][][2]float64{
		"quay-1/hoist": {{42.1, 40.2}, {42.15, 40.2}, {42.1, 40.15}},
	}}
	r := begin(t, site, opt)(t)
	r = unhurried(t, r, nil, func() *Report { return begin(t, site, opt)(t) })
	if r.Verdict != Passed || r.Passed != 8 || r.Failed+r.Unproven != 0 {
		t.Errorf("the verdict is %q", r.Verdict)
	}
	for channel, check := range map[string]string{"quay-1/hoist drive": "stamps", "pit-1/hoist released": "stamps",
		"quay-1/hoist release_ms": "agrees with the travel", "quay-1/hoist set_ms": "measures", "pit-1/hoist release_ms": "agrees with the travel"} {
		if found := r.channel(t, channel).check(check); found == nil || found.Verdict != Passed {
			t.Errorf("%s: %s is %+v", channel, check, found)
		}
	}
}

func (c Channel) check(name string) *Check {
	for i := range c.Checks {
		if c.Checks[i].Name == name {
			return &c.Checks[i]
		}
	}
	return nil
}

func TestPlantedFaultsOfTimesAreNamed(t *testing.T) {
	t.Parallel()
	drive1, released1 := "discrete: 0, stamp: {input: 20", "discrete: 1, stamp: {input: 21"
	plant(t, []planted{
		{name: "stamps swapped, wrong words of a clock",
			replace: []string{drive1, "discrete: 0, stamp: {input: 99", released1, "discrete: 1, stamp: {input: 20", "input: 99", "input: 21",
				"coil: 16, poll: 50ms, stamp: {holding: 110, clock: 118, type: u32, words: cdab", "coil: 16, poll: 50ms, stamp: {holding: 110, clock: 118, type: u32, words: abcd"},
			want: map[string]string{"quay-1/hoist drive": "doesn't change with the signal", "quay-1/hoist released": "doesn't change with the signal",
				"pit-1/hoist drive": "wrong step, type, word order or register of the clock"}},
		{name: "no such stamp, wrong step of a clock, wrong step of a time",
			replace: []string{drive1, "discrete: 0, stamp: {input: 26", "coil: 17, poll: 50ms, stamp: {holding: 112, clock: 118, type: u32, words: cdab, step: 100us}", "coil: 17, poll: 50ms, stamp: {holding: 112, clock: 118, type: u32, words: cdab, step: 1ms}",
				"input: 30, counter: 31,", "input: 30, counter: 31, step: 2ms,"},
			want: map[string]string{"quay-1/hoist drive": "wrong register: the device has nothing at input registers 26 (stamp)",
				"pit-1/hoist released": "wrong step, type, word order or register of the clock", "quay-1/hoist release_ms": "wrong step, register or type, by the factor "}},
		{name: "a counter that stands, no such register, the counter for the time",
			replace: []string{"input: 30, counter: 31", "input: 30, counter: 35", "input: 32, counter: 33", "input: 40, counter: 41", "holding: 130, counter: 131", "holding: 131, counter: 130"},
			want: map[string]string{"quay-1/hoist release_ms": "wrong counter: register 35 stands still while the brake is driven",
				"quay-1/hoist set_ms": "wrong register: the device has nothing at input register 40, or at its counter", "pit-1/hoist release_ms": ""}},
	}, func(t *testing.T, c planted) string { return standMade(t, c.spoil, c.events...) })
}

// What a counter that counts something else looks like, by itself.
func TestACounterThatRunsIsNamed(t *testing.T) {
	c, at := uint16(31), uint16(30)
	v := &view{c: sensors.Channel{Signal: sensors.ReleaseTime, Wiring: sensors.Wiring{Device: "quay-io", Input: &at, Counter: &c, Step: time.Millisecond}},
		report: &Channel{Verdict: Passed}}
	for i := range 40 {
		v.raw = append(v.raw, reading{atNS: int64(i), raw: 160})
	}
	drive := &view{answers: true, line: timeline{changes: make([]int64, 20)}}
	b := &brake{drive: drive, releaseTime: v}
	b.measuredTime(v, nil, nil)
	if got := v.report.looksLike(); v.report.Verdict != Failed || !strings.Contains(got, "register 31 moves more often than the brake") {
		t.Errorf("%s: %s", v.report.Verdict, got)
	}
	for i := range v.raw {
		v.raw[i].raw = 65535
	}
	v.raw, v.report = v.raw[:10], &Channel{Verdict: Passed}
	_, v.outside = scaled(v.c, v.raw)
	b.measuredTime(v, nil, nil)
	if got := v.report.looksLike(); v.report.Verdict != Failed || !strings.Contains(got, "wrong register, type, word order or step") {
		t.Errorf("%s: %s", v.report.Verdict, got)
	}
}

// Few cycles and slow polls leave room for a difference, and none for a wrong
// step.
func TestATimeIsComparedAsSurelyAsItIsKnown(t *testing.T) {
	cycles := func(n int, u float64) measured {
		list := make([]analysis.Cycle, n)
		for i := range list {
			list[i] = analysis.Cycle{Kind: analysis.Full, GapMM: analysis.NoValue(), ReleaseS: analysis.NoValue(), SetS: 0.1, SetUS: u}
		}
		return summarise(list)
	}
	for _, c := range []struct {
		n    int
		u    float64 // of one cycle's time, s
		told float64 // ms
		want Verdict
	}{
		{8, 0.025, 136, Passed}, {8, 0.025, 200, Failed}, {20, 0.025, 45, Failed}, {5, 0.035, 136, NotProven},
		{100, 0.008, 136, Failed}, {100, 0.008, 110, Passed}, {0, 0, 136, NotProven},
	} {
		v := &view{c: sensors.Channel{Signal: sensors.SetTime, Wiring: sensors.Wiring{UMS: 2}}, report: &Channel{Verdict: Passed}}
		v.plausible(cycles(c.n, c.u), c.told, "Compare.")
		if v.report.Verdict != c.want {
			t.Errorf("%+v: %s", c, v.report.Verdict)
		}
	}
}

package commission

import (
	"strings"
	"testing"
	"time"

	"gapward/simulator"
)

// A right site file is proven, whole.
func TestARightSiteFileIsProven(t *testing.T) {
	t.Parallel()
	site := told(t, stand(t, nil))
	// The simulated gaps are 1.2 × target.
	opt := Options{By: "A. Fitter", Auto: 60 * time.Second, Gauge: map[string][][2]float64{
		"quay-1/hoist": {{42.1, 40.2}, {42.15, 40.2}, {42.1, 40.15}},
		"quay-2/hoist": {{41.2, 40.0}, {41.2, 40.05}, {41.2, 40.0}},
		"pit-1/hoist":  {{31.2, 30.0}, {31.25, 30.0}, {31.2, 30.0}},
	}}
	r := begin(t, site, opt)(t)
	r = unhurried(t, r, nil, func() *Report { return begin(t, site, opt)(t) })
	if r.Verdict != Passed || r.Passed != 9 || r.Failed+r.Unproven != 0 {
		t.Errorf("the verdict is %q", r.Verdict)
	}
	for _, b := range r.Brakes {
		if b.Cycles < DefaultCycles || b.Gauge == nil || b.Gauge.Zeta < -2 || b.Gauge.Zeta > 2 || len(b.Gauge.SetMM) != 3 {
			t.Errorf("%s: %+v, gauge %+v", b.Name, b, b.Gauge)
		}
	}
	if r.By != "A. Fitter" || len(r.SiteHash) != 64 || len(r.Cautions) == 0 || !r.Ended.After(r.Began) {
		t.Errorf("the record lacks who, what or when: %+v", r)
	}
}

// planted is some faults: another wiring given to commission than the devices
// have, or devices that misbehave. Each is on a brake of its own.
type planted struct {
	name    string
	replace []string // in the site file, old and new
	spoil   func([]simulator.BrakeSpec)
	events  []simulator.Event
	gauge   map[string][][2]float64
	want    map[string]string // channel: what it must look like
}

func faults() []planted {
	travel1 := "travel: {device: quay-io, input: 0, raw: [0, 4095], mm: [0, 10]"
	travel2 := "travel: {device: quay-io, input: 2, raw: [0, 4095], mm: [0, 10]"
	return []planted{
		{name: "wrong register, inverted switch, wrong word order",
			replace: []string{travel2, strings.Replace(travel2, "input: 2", "input: 7", 1), "discrete: 1}", "discrete: 1, invert: true}", "words: cdab", "words: abcd"},
			want: map[string]string{"quay-2/hoist travel": "wrong register: the device has nothing at input register 7",
				"quay-1/hoist released": "inverted: it closes when the brake sets",
				"pit-1/hoist travel":    "wrong word order: with word order cdab it makes a travel"}},
		{name: "another signal's register; sign or drive, with no switch to tell",
			replace: []string{travel1, strings.Replace(travel1, "input: 0", "input: 1", 1), "temperature: {device: quay-io, input: 1,", "temperature: {device: quay-io, input: 0,", "coil: 16}", "coil: 16, invert: true}"},
			want: map[string]string{"quay-1/hoist travel": "another register, a frozen probe", "quay-1/hoist temperature": "another signal's register",
				"pit-1/hoist drive": "either the drive is inverted or the travel has the wrong sign", "pit-1/hoist travel": "either the drive is inverted"}},
		{name: "swapped probes, wrong type",
			replace: []string{"input: 0, raw", "input: 99, raw", "input: 2, raw", "input: 0, raw", "input: 99, raw", "input: 2, raw",
				"type: f32, words: cdab", "type: s32, raw: [0, 1000], mm: [0, 10]"},
			want: map[string]string{"quay-1/hoist travel": "the probes of this brake and quay-2/hoist are swapped", "quay-2/hoist travel": "the probes of this brake and quay-1/hoist are swapped",
				"pit-1/hoist travel": "wrong scale, register, type or word order"}},
		{name: "swapped drives, dead device",
			replace: []string{"discrete: 0}", "discrete: 99}", "discrete: 2}", "discrete: 0}", "discrete: 99}", "discrete: 2}"},
			events:  []simulator.Event{{Brake: "pit-1/hoist", Fault: simulator.DeviceSilent}},
			want: map[string]string{"quay-1/hoist drive": "the drives of this brake and quay-2/hoist are swapped", "quay-2/hoist drive": "the drives of this brake and quay-1/hoist are swapped",
				"pit-1/hoist travel": "the device is dead or out of reach", "pit-1/hoist drive": "the device is dead or out of reach"}},
		{name: "swapped switches, too slow",
			replace: []string{"discrete: 1}", "discrete: 99}", "discrete: 3}", "discrete: 1}", "discrete: 99}", "discrete: 3}"},
			events:  []simulator.Event{{Brake: "pit-1/hoist", Fault: simulator.SlowNetwork, Amount: 0.08}},
			want: map[string]string{"quay-1/hoist released": "wrong address: it is the switch of quay-2/hoist", "quay-2/hoist released": "wrong address: it is the switch of quay-1/hoist",
				"pit-1/hoist travel": "too slow: 50ms was asked for", "pit-1/hoist drive": "too slow: 50ms was asked for"}},
		{name: "wrong sign, inverted drive",
			replace: []string{travel2, strings.Replace(travel2, "mm: [0, 10]", "mm: [10, 0]", 1), "discrete: 0}", "discrete: 0, invert: true}"},
			want:    map[string]string{"quay-2/hoist travel": "wrong sign", "quay-1/hoist drive": "inverted: 0 means on"}},
		{name: "wrong scale, frozen probe",
			replace: []string{travel2, strings.Replace(travel2, "mm: [0, 10]", "mm: [0, 100]", 1)},
			events:  []simulator.Event{{Brake: "quay-1/hoist", Fault: simulator.ProbeFrozen}},
			want: map[string]string{"quay-2/hoist travel": "wrong scale: the travel is about 9",
				"quay-1/hoist travel": "the switch shows that the brake frees and the travel doesn't"}},
		{name: "scale wrong within the limits, broken wire",
			replace: []string{travel2, strings.Replace(travel2, "mm: [0, 10]", "mm: [0, 13]", 1)},
			events:  []simulator.Event{{Brake: "quay-1/hoist", Fault: simulator.WireBreak}},
			gauge:   map[string][][2]float64{"quay-2/hoist": {{41.2, 40.0}, {41.2, 40.05}, {41.2, 40.0}}},
			want:    map[string]string{"quay-2/hoist travel": "wrong scale, by the factor 1.3", "quay-1/hoist travel": "or a broken wire"}},
		{name: "noisy probe, stuck switch",
			replace: []string{"discrete: 1}", "discrete: 9}"},
			spoil:   func(specs []simulator.BrakeSpec) { specs[1].Params.NoiseUM = 120 },
			want:    map[string]string{"quay-2/hoist travel": "noisy probe", "quay-1/hoist released": "the switch is stuck"}},
		{name: "drive of a stranger, drive from the brake itself",
			replace: []string{"discrete: 0}", "discrete: 8}", "discrete: 2}", "discrete: 99}", "discrete: 3}", "discrete: 2}", "discrete: 99}", "discrete: 3}"},
			want: map[string]string{"quay-2/hoist drive": "drive and release switch are swapped", "quay-2/hoist released": "drive and release switch are swapped",
				"quay-1/hoist drive": "wrong address or contact: travel and switch move together"}},
		{name: "drive from the brake itself, and no switch to tell",
			replace: []string{"drive: {device: quay-io, discrete: 2}", "drive: {device: quay-io, discrete: 3}", "      released: {device: quay-io, discrete: 3}\n", ""},
			want:    map[string]string{"quay-2/hoist drive": "this contact follows the brake"}},
		{name: "drive that stays", replace: []string{"discrete: 0}", "discrete: 9}"},
			want: map[string]string{"quay-1/hoist drive": "wrong address, or the contact isn't wired"}},
	}
}

// Each fault must be named, at the channel that has it, and nothing else may
// fail.
func TestPlantedFaultsAreNamed(t *testing.T) {
	t.Parallel()
	plant(t, faults(), func(t *testing.T, c planted) string { return stand(t, c.spoil, c.events...) })
}

// plant commissions what stands with each of some faults.
func plant(t *testing.T, list []planted, standing func(*testing.T, planted) (text string)) {
	waits := make([]func(*testing.T) *Report, len(list))
	start := func(i int) {
		c := list[i]
		waits[i] = begin(t, told(t, standing(t, c), c.replace...), Options{By: "A. Fitter", Auto: 24 * time.Second, Gauge: c.gauge})
	}
	// Some at once: they wait for hoists more than for the machine.
	const atOnce = 6
	for i, c := range list {
		if i%atOnce == 0 {
			for k := i; k < min(i+atOnce, len(list)); k++ {
				start(k)
			}
		}
		t.Run(c.name, func(t *testing.T) {
			r := unhurried(t, waits[i](t), c.want, func() *Report {
				start(i)
				return waits[i](t)
			})
			for name, looks := range c.want {
				if got := r.channel(t, name); got.Verdict != Failed || !strings.Contains(got.looksLike(), looks) {
					t.Errorf("%s is %s: %s\nwant: %s", name, got.Verdict, got.looksLike(), looks)
				}
			}
			for _, b := range r.Brakes {
				for _, ch := range b.Channels {
					if _, meant := c.want[b.Name+" "+ch.Signal]; ch.Verdict == Failed && !meant {
						t.Errorf("%s %s fails too: %s", b.Name, ch.Signal, ch.looksLike())
					}
				}
			}
			if r.Verdict != Failed {
				t.Errorf("the verdict is %s", r.Verdict)
			}
		})
	}
}

package configs

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gapward/analysis"
	"gapward/sensors"
)

// advise notes what the file leaves unmeasured or measures less well than it
// could. It is asked only of files that are in order.
func (v *validator) advise() {
	if len(v.problems) > 0 {
		return
	}
	used := map[string]bool{}
	chained := map[string]string{}
	for _, c := range v.site.Chains {
		for _, name := range c.Order {
			chained[name] = c.Name
		}
	}
	for i, b := range v.site.Brakes {
		path := brakePath(i)
		for _, signal := range signalNames(b.Signals) {
			w, _ := b.Signals.Of(signal)
			used[w.Device] = true
			v.adviseSignal(path+".signals."+signal.String(), w)
		}
		v.adviseTimes(path, b)
		v.adviseAdjusting(path, b, chained[b.Name])
	}
	for _, name := range v.deviceNames() {
		if v.purpose == Run && !used[name] {
			v.note(devicePath(name), "no signal is read from this device", "take it out if it isn't needed")
		}
	}
}

// adviseSignal looks at one signal by itself.
func (v *validator) adviseSignal(path string, w sensors.Wiring) {
	if w.Topic != "" && w.Device != "" && w.Poll == 0 && !w.ByException() {
		v.note(path, "nothing says how often its messages come", "write poll, or on_change with at_least_every; else the pace is learned from the messages, and a few seconds of silence count as a fault")
	}
	if low, _, known := rawRange(w); known && len(w.Milliamps) == len(w.Raw) && w.Scaled() {
		if at := rawOfWireBreak(w); at < low {
			v.note(path+".milliamps", fmt.Sprintf("a broken wire can't be told: type %s ends at %s, above the %.0f of 3.6 mA", typeName(w), number(low), math.Floor(at)), "set the module to a signed value (type: s16), or to a range that begins at 0 mA")
		}
	}
	for _, a := range []struct {
		key        string
		at         *uint16
		first, fig uint16
	}{{"input", w.Input, 30001, 3}, {"holding", w.Holding, 40001, 4}, {"discrete", w.Discrete, 10001, 1}} {
		if a.at != nil && *a.at >= a.first && *a.at < a.first+9999 {
			v.note(path+"."+a.key, fmt.Sprintf("%d looks like a number from a data sheet", *a.at), fmt.Sprintf("addresses are those on the wire and count from 0: %d in a data sheet is %s: %d", *a.at, a.key, *a.at-a.first))
		}
	}
}

// rawOfWireBreak is the raw value of the current by which a transmitter tells
// its failure, 3.6 mA (NAMUR NE 43), on the line through the first two points.
func rawOfWireBreak(w sensors.Wiring) float64 {
	raw, mA := w.Raw, w.Milliamps
	return raw[0] + (3.6-mA[0])*(raw[1]-raw[0])/(mA[1]-mA[0])
}

// adviseTimes looks at what becomes of the release and set times.
func (v *validator) adviseTimes(path string, b Brake) {
	travel, hasTravel := b.wiring(sensors.Travel)
	_, hasDrive := b.Signals.Of(sensors.Drive)
	_, hasReleased := b.Signals.Of(sensors.Released)
	if v.purpose == Run && len(b.Signals) > 0 {
		if !hasDrive {
			v.note(path+".signals", "there is no drive signal: release and set times can't be measured, nor a brake that doesn't free be told", "wire the contactor's feedback or a motor-on signal as drive")
		}
		if !hasTravel {
			v.note(path+".signals", "there is no travel probe: the gap comes from hand measurements alone", "")
		}
		if hasDrive && !hasTravel && !hasReleased {
			v.note(path+".signals", "with the drive alone cycles are counted, but no times are measured", "wire a release switch as released, or a travel probe")
		}
	}
	if !hasTravel || travel.Poll == 0 {
		return
	}
	poll := path + ".signals.travel"
	if v.given(poll + ".poll") {
		poll += ".poll"
	}
	const coarse = 5 // polls within the limit, below which a late brake shows late
	for _, limit := range []struct {
		key string
		d   time.Duration
	}{{"release", b.Timing.Release}, {"set", b.Timing.Set}} {
		if hasDrive && limit.d > 0 && travel.Poll > limit.d/coarse {
			v.note(poll, fmt.Sprintf("a poll every %s is coarse for timing.%s of %s", span(travel.Poll), limit.key, span(limit.d)), fmt.Sprintf("poll every %s or faster", span((limit.d/coarse).Round(time.Millisecond))))
			return
		}
	}
	if r := travel.ResolutionMM(); r > 0 && r > (b.Limits.AdjustMM-b.Limits.TargetMM)/20 {
		v.note(path+".signals.travel", fmt.Sprintf("one raw count is %.3g mm, coarse for a gap that may grow by %.3g mm", r, b.Limits.AdjustMM-b.Limits.TargetMM), "a probe of less range, or a converter of more bits, would show wear sooner")
	}
}

// adviseAdjusting looks at what the adjust plan will lack.
func (v *validator) adviseAdjusting(path string, b Brake, chain string) {
	step, name := stepMM(b.Adjuster)
	if chain != "" && step == 0 {
		v.note(path, "stands in the holding chain "+chain+" and has no adjuster: there will be no plan for adjusting it", "write adjuster with one of ring, shims or screw")
	}
	if step > 0 && step > b.Limits.AdjustMM-b.Limits.MinMM {
		v.note(path+".adjuster", fmt.Sprintf("one %s is %.3g mm, more than lies between min and adjust: no adjustment can be planned before the gap has passed adjust", name, step), "check the pitch or thickness")
	}
	if r := b.Adjuster.Ring; r != nil && r.Uses == 0 {
		v.note(path+".adjuster.ring", "uses is missing: the index holes left in the lining can't be counted", "write uses: and how many index holes one lining lasts")
	}
	if s := b.Adjuster.Shims; s != nil && s.Fitted == 0 {
		v.note(path+".adjuster.shims", "fitted is missing: the shims left can't be counted", "write fitted: and how many each pack has with a new lining")
	}
	conical := slices.Contains([]analysis.Kind{"", analysis.Conical}, b.Kind)
	if conical && b.Lining.ThicknessMM > 0 && b.Lining.ConeHalfAngleDeg == 0 {
		v.note(path+".lining", "cone_half_angle_deg is missing: travel can't be turned into wear of the lining", "write the angle between the cone's face and the shaft")
	}
}

// stepMM is what one step of the adjuster takes off the gap, in mm, and what
// the step is called; 0 where there is no adjuster.
func stepMM(a analysis.Adjuster) (step float64, name string) {
	switch {
	case a.Ring != nil && a.Ring.Holes > 0:
		return a.Ring.PitchMM / float64(a.Ring.Holes), "index hole"
	case a.Shims != nil:
		return float64(a.Shims.Packs) * a.Shims.ThicknessMM, "shim out of each pack"
	case a.Screw != nil:
		return a.Screw.PitchMM * a.Screw.Turn, "step of the screw"
	}
	return 0, ""
}

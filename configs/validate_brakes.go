package configs

import (
	"fmt"
	"math"
	"strings"

	"gapward/analysis"
	"gapward/sensors"
)

func brakePath(i int) string { return itemPath("brakes", i) }

// brakes checks each brake for itself, and that their names differ.
func (v *validator) brakes() {
	if !v.sound("brakes") {
		return
	}
	if len(v.site.Brakes) == 0 {
		v.wrong("brakes", "the site has no brake", "write brakes: and below it one item for each, beginning with - name:")
		return
	}
	seen := map[string]int{}
	for i, b := range v.site.Brakes {
		path := brakePath(i)
		if !v.sound(path) {
			continue
		}
		if !v.missing(path+".name", "write the crane and the brake, as in name: quay-2/main") && v.sound(path+".name") {
			if fault := brakeNameFault(b.Name); fault != "" {
				v.wrong(path+".name", fault, "use letters, digits, - _ and . with single slashes between parts, as in quay-2/main")
			} else if first, ok := seen[b.Name]; ok {
				v.wrong(path+".name", fmt.Sprintf("%s is the name of %s too, in line %d", b.Name, brakePath(first), v.place(brakePath(first)+".name").line), "each brake needs a name of its own")
			} else {
				seen[b.Name] = i
			}
		}
		if v.given(path+".crane") && v.sound(path+".crane") && b.Crane == "" {
			v.wrong(path+".crane", "is empty", "write the crane's name, or take the line out: it is then the brake's name up to its first slash")
		}
		if v.given(path+".model") && v.sound(path+".model") && b.Model == "" {
			v.wrong(path+".model", "is empty", "write the brake's model, or take the line out")
		}
		v.kind(path+".kind", b.Kind)
		v.limits(path+".limits_mm", b.Limits)
		v.timing(path+".timing", b.Timing)
		v.signals(path+".signals", b.Signals)
		v.adjuster(path+".adjuster", b.Adjuster)
		v.lining(path+".lining", b)
		v.parts(path+".lining.parts", b.Lining.Parts)
		v.stop(path+".stop", b.Stop)
		v.duty(path+".duty", b.Duty)
		if b.Thermal != nil {
			v.thermal(path+".thermal", *b.Thermal)
		}
		if where := path + ".forecast.lead_days"; v.sound(where) && (b.Forecast.LeadDays < 0 || b.Forecast.LeadDays > 3650) {
			v.wrong(where, fmt.Sprintf("%d days is out of range", b.Forecast.LeadDays), "write 0 (no warning) to 3650")
		}
	}
}

func (v *validator) duty(path string, d analysis.DutyLimits) {
	if where := path + ".starts_per_hour"; v.sound(where) && (d.StartsPerHour < 0 || d.StartsPerHour > 3600) {
		v.wrong(where, fmt.Sprintf("%d starts an hour is out of range", d.StartsPerHour), "write 0 (no limit) to 3600, as on the motor's plate")
	}
	if where := path + ".cyclic_duration_percent"; v.sound(where) && !(d.CyclicDurationPercent >= 0 && d.CyclicDurationPercent <= 100) {
		v.wrong(where, fmt.Sprintf("%v %% is out of range", d.CyclicDurationPercent), "write 0 (no limit) to 100: the ED on the motor's plate")
	}
}

// thermal checks how the gap is said to grow with temperature. Twenty millimetres
// of steel grow by a quarter of a micrometre with each kelvin.
func (v *validator) thermal(path string, t analysis.Thermal) {
	if where := path + ".um_per_k"; v.sound(where) && !(math.Abs(t.UMPerK) <= 20) {
		v.wrong(where, fmt.Sprintf("%v µm/K is out of range", t.UMPerK), "write -20 to 20: by how many µm the gap grows with each kelvin")
	}
	if where := path + ".u_um_per_k"; v.sound(where) && !(t.UUMPerK >= 0 && t.UUMPerK <= 20) {
		v.wrong(where, fmt.Sprintf("%v µm/K is out of range", t.UUMPerK), "write 0 to 20: the standard uncertainty of um_per_k")
	}
}

func (v *validator) kind(path string, k analysis.Kind) {
	if !v.given(path) || !v.sound(path) {
		return
	}
	switch k {
	case analysis.Conical, analysis.Disc, analysis.Drum:
	default:
		v.wrong(path, quoted(string(k))+" is no kind of brake", "write conical, disc or drum")
	}
}

// limits checks that the limits are all there and rise strictly.
func (v *validator) limits(path string, l analysis.Limits) {
	if v.missing(path, "write limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4} with the brake maker's values") || !v.sound(path) {
		return
	}
	limits := []struct {
		key   string
		value float64
	}{{"min", l.MinMM}, {"target", l.TargetMM}, {"adjust", l.AdjustMM}, {"max", l.MaxMM}}
	const rule = "limits must rise: min < target < adjust < max"
	before := -1
	for i, limit := range limits {
		where := path + "." + limit.key
		if v.missing(where, rule) || !v.sound(where) {
			continue
		}
		switch {
		case limit.value <= 0:
			v.wrong(where, mm(limit.value)+" is not above zero", rule)
			continue
		case limit.value > 1000:
			v.wrong(where, mm(limit.value)+" is more than a metre", "lengths here are in millimetres")
			continue
		case before >= 0 && limit.value <= limits[before].value:
			v.wrong(where, fmt.Sprintf("%s is not above %s %s", mm(limit.value), limits[before].key, mm(limits[before].value)), rule)
			continue
		}
		before = i
	}
}

// timing checks that slow comes before failed.
func (v *validator) timing(path string, t analysis.Timing) {
	full := t.WithDefaults()
	for _, c := range []struct {
		key, failed string
	}{{"release", "not_released_after"}, {"set", "not_set_after"}} {
		slow, fail, filled := t.Release, t.NotReleasedAfter, full.NotReleasedAfter
		if c.key == "set" {
			slow, fail, filled = t.Set, t.NotSetAfter, full.NotSetAfter
		}
		failPath := path + "." + c.failed
		if v.given(failPath) && v.sound(failPath) && fail == 0 {
			v.wrong(failPath, "is zero: the check can't be switched off", "write the time after which the brake has failed, or take the line out for "+span(filled))
			continue
		}
		v.shorter(path+"."+c.key, slow, failPath, c.failed, filled, "slow must come before failed")
	}
}

// adjuster checks that there is one way to adjust, and its figures.
func (v *validator) adjuster(path string, a analysis.Adjuster) {
	if !v.given(path) || !v.sound(path) {
		return
	}
	var ways []string
	for _, key := range []string{"ring", "shims", "screw"} {
		if v.given(path + "." + key) {
			ways = append(ways, key)
		} else if !v.sound(path + "." + key) {
			return // misspelt: already told
		}
	}
	switch len(ways) {
	case 0:
		v.wrong(path, "doesn't say how the brake is adjusted", "write one of ring, shims or screw")
		return
	case 1:
	default:
		v.wrong(path, "has "+listOf(ways, "and"), "a brake is adjusted in one way: keep one of ring, shims or screw")
		return
	}
	if r := a.Ring; r != nil && v.sound(path+".ring") {
		v.count(path+".ring.holes", r.Holes, 1, true)
		v.positive(path+".ring.pitch_mm", r.PitchMM, "mm", true)
		v.count(path+".ring.uses", r.Uses, 1, false)
	}
	if s := a.Shims; s != nil && v.sound(path+".shims") {
		v.count(path+".shims.packs", s.Packs, 1, true)
		v.positive(path+".shims.thickness_mm", s.ThicknessMM, "mm", true)
		v.count(path+".shims.fitted", s.Fitted, 1, false)
	}
	if s := a.Screw; s != nil && v.sound(path+".screw") {
		v.positive(path+".screw.pitch_mm", s.PitchMM, "mm", true)
		if where := path + ".screw.turn"; v.positive(where, s.Turn, "", true) && s.Turn > 1 {
			v.wrong(where, number(s.Turn)+" is more than a turn", "write the smallest part of a turn that can be set: 0.25 is a quarter")
		}
	}
}

// count checks a number of things.
func (v *validator) count(path string, n, least int, needed bool) {
	if !v.given(path) {
		if needed {
			v.missing(path, fmt.Sprintf("write a whole number from %d", least))
		}
		return
	}
	if v.sound(path) && n < least {
		v.wrong(path, fmt.Sprintf("%d is too few", n), fmt.Sprintf("write a whole number from %d", least))
	}
}

// positive checks that a figure is above zero; it reports whether it is.
func (v *validator) positive(path string, value float64, unit string, needed bool) bool {
	if !v.given(path) {
		if needed {
			v.missing(path, "write a number above zero")
		}
		return false
	}
	if !v.sound(path) {
		return false
	}
	if value <= 0 {
		v.wrong(path, strings.TrimSpace(number(value)+" "+unit)+" is not above zero", "write a number above zero")
		return false
	}
	return true
}

func (v *validator) lining(path string, b Brake) {
	if !v.given(path) || !v.sound(path) {
		return
	}
	l := b.Lining
	thickness, minimum, angle := path+".thickness_mm", path+".minimum_mm", path+".cone_half_angle_deg"
	thick := v.positive(thickness, l.ThicknessMM, "mm", true)
	switch {
	case v.missing(minimum, "write the thickness at which the lining is spent") || !v.sound(minimum):
	case l.MinimumMM < 0:
		v.wrong(minimum, mm(l.MinimumMM)+" is below zero", "write the thickness at which the lining is spent")
	case thick && l.MinimumMM >= l.ThicknessMM:
		v.wrong(minimum, fmt.Sprintf("%s is not below thickness_mm, which is %s", mm(l.MinimumMM), mm(l.ThicknessMM)), "a new lining must be thicker than a spent one")
	}
	if !v.given(angle) || !v.sound(angle, path[:strings.LastIndexByte(path, '.')]+".kind") {
		return
	}
	switch {
	case b.Kind != "" && b.Kind != analysis.Conical:
		v.wrong(angle, "a "+string(b.Kind)+" brake has no cone", "take the line out, or write kind: conical")
	case l.ConeHalfAngleDeg <= 0 || l.ConeHalfAngleDeg > 90:
		v.wrong(angle, number(l.ConeHalfAngleDeg)+"° is no half-angle of a cone", "write the angle between the cone's face and the shaft: above 0, at most 90")
	}
}

// chains checks that holding chains name brakes that are there, once each.
func (v *validator) chains() {
	if !v.sound("holding_chains") || !v.sound("brakes") {
		return
	}
	var names []string
	for i, b := range v.site.Brakes {
		if !v.sound(brakePath(i)) {
			return // a brake that couldn't be read may be the one named
		}
		if b.Name != "" {
			names = append(names, b.Name)
		}
	}
	chainNames, holds := map[string]int{}, map[string]string{}
	for i, c := range v.site.Chains {
		path := itemPath("holding_chains", i)
		if !v.sound(path) {
			continue
		}
		switch name := path + ".name"; {
		case v.missing(name, "write what the brakes hold, as in name: quay-2 hoist") || !v.sound(name):
		case c.Name == "":
			v.wrong(name, "is empty", "write what the brakes hold, as in quay-2 hoist")
		default:
			if first, ok := chainNames[c.Name]; ok {
				v.wrong(name, fmt.Sprintf("%s is the name of %s too", c.Name, itemPath("holding_chains", first)), "each chain needs a name of its own")
			} else {
				chainNames[c.Name] = i
			}
		}
		order := path + ".order"
		if v.missing(order, "write the brakes in the order in which they are adjusted") || !v.sound(order) {
			continue
		}
		if len(c.Order) < 2 {
			v.wrong(order, fmt.Sprintf("names %d of the brakes", len(c.Order)), "a holding chain is two brakes or more that hold one load in series")
		}
		for j, name := range c.Order {
			where := itemPath(order, j)
			if !v.sound(where) {
				continue
			}
			if v.site.BrakeIndex(name) < 0 {
				advice := "the brakes are " + listOf(names, "and")
				if near := nearest(name, names); near != "" {
					advice = "did you mean " + near + "?"
				}
				v.wrong(where, quoted(name)+" is none of the brakes", advice)
				continue
			}
			if other, ok := holds[name]; ok {
				v.wrong(where, fmt.Sprintf("%s stands in a holding chain already, at %s", name, other), "a brake is in one chain, once")
				continue
			}
			holds[name] = where
		}
	}
}

// signalNames lists the signals of a brake that the file names, in the order
// of their declaration.
func signalNames(s Signals) []sensors.Signal {
	var list []sensors.Signal
	for _, signal := range sensors.Signals() {
		if _, ok := s.Of(signal); ok {
			list = append(list, signal)
		}
	}
	return list
}

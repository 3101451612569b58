package configs

import (
	"fmt"

	"gapward/analysis"
)

// parts checks what is to be ordered with a new lining.
func (v *validator) parts(path string, parts []analysis.Part) {
	if !v.given(path) || !v.sound(path) {
		return
	}
	if len(parts) == 0 {
		v.wrong(path, "names no part", "write parts: [{name: brake lining, lead_days: 42}], or take the line out")
	}
	for i, p := range parts {
		one := itemPath(path, i)
		if !v.sound(one) {
			continue
		}
		switch name := one + ".name"; {
		case v.missing(name, "write what is to be ordered, as in name: brake lining") || !v.sound(name):
		case p.Name == "":
			v.wrong(name, "is empty", "write what is to be ordered, as in name: brake lining")
		}
		if v.given(one+".number") && v.sound(one+".number") && p.Number == "" {
			v.wrong(one+".number", "is empty", "write the maker's number of the part, or take the line out")
		}
		v.count(one+".quantity", p.Quantity, 1, false)
		switch days := one + ".lead_days"; {
		case v.missing(days, "write how many days it takes from ordering the part to having it") || !v.sound(days):
		case p.LeadDays < 0 || p.LeadDays > 3650:
			v.wrong(days, fmt.Sprintf("%d days is out of range", p.LeadDays), "write 0 (in stock) to 3650")
		}
	}
}

// stop checks the figures from which the braking work follows.
func (v *validator) stop(path string, s analysis.Stop) {
	if !v.given(path) || !v.sound(path) {
		return
	}
	v.positive(path+".inertia_kgm2", s.InertiaKGM2, "kg m²", true)
	v.positive(path+".speed_rpm", s.SpeedRPM, "rpm", true)
	brake := v.positive(path+".brake_nm", s.BrakeNM, "N m", true)
	load := path + ".load_nm"
	if !v.given(load) || !v.sound(load) {
		return
	}
	switch {
	case s.LoadNM < 0:
		v.wrong(load, number(s.LoadNM)+" N m is below zero", "write the torque of the heaviest load at the brake's shaft, 0 or above; lowering and hoisting are both worked out")
	case brake && s.LoadNM >= s.BrakeNM:
		v.wrong(load, fmt.Sprintf("%s N m is not below brake_nm, which is %s N m", number(s.LoadNM), number(s.BrakeNM)), "a brake that isn't stronger than its load never stops it")
	}
}

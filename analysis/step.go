package analysis

import (
	"fmt"
	"math"
	"strconv"
)

// Step is the smallest piece of work on an adjuster: one index hole of a ring,
// one shim out of each pack, the smallest part of a turn of a screw. Shims come
// out of all packs alike, so a step can't leave the packs unequal.
type Step struct {
	MM       float64 // what one step takes off the gap
	adjuster Adjuster
}

// Step is the adjuster's step; ok is false where the site file doesn't say how
// the brake is adjusted. The packs of shims are taken to lie one behind the
// other: a shim out of each takes packs × thickness off the gap.
func (a Adjuster) Step() (s Step, ok bool) {
	s.adjuster = a
	switch {
	case a.Ring != nil && a.Ring.Holes > 0:
		s.MM = a.Ring.PitchMM / float64(a.Ring.Holes)
	case a.Shims != nil:
		s.MM = float64(a.Shims.Packs) * a.Shims.ThicknessMM
	case a.Screw != nil:
		s.MM = a.Screw.PitchMM * a.Screw.Turn
	}
	return s, s.MM > 0
}

// Count names so many steps, as in "one hole", "2 shims out of each pack" or
// "3/16 turn".
func (s Step) Count(n int) string {
	n = max(n, -n)
	switch a := s.adjuster; {
	case a.Ring != nil:
		return several(n, "hole")
	case a.Shims != nil && a.Shims.Packs == 1:
		return several(n, "shim")
	case a.Shims != nil:
		return several(n, "shim") + " out of each pack"
	case a.Screw != nil:
		return turns(n, a.Screw.Turn)
	}
	return several(n, "step")
}

// back names steps turned back.
func (s Step) back(n int) string {
	n = max(n, -n)
	switch a := s.adjuster; {
	case a.Shims != nil && a.Shims.Packs == 1:
		return several(n, "shim") + " put back"
	case a.Shims != nil:
		return several(n, "shim") + " put back into each pack"
	}
	return s.Count(n) + " back"
}

// Signed names steps in the direction that the sign says.
func (s Step) Signed(n int) string {
	if n < 0 {
		return s.back(n)
	}
	return s.Count(n)
}

// Remaining names steps of which so many are left, after "the lining has".
func (s Step) Remaining(n int) string {
	thing := "step"
	switch {
	case s.adjuster.Ring != nil:
		thing = "hole"
	case s.adjuster.Shims != nil:
		thing = "shim"
	}
	if n == 0 {
		return "no " + thing + "s"
	}
	text := several(n, thing)
	if a := s.adjuster.Shims; a != nil && a.Packs > 1 {
		text += " in each pack"
	}
	return text
}

// Instruction says what to do for n steps; n below zero opens the gap.
func (s Step) Instruction(n int) string {
	back := n < 0
	n = max(n, -n)
	switch a := s.adjuster; {
	case a.Ring != nil:
		way := "on"
		if back {
			way = "back"
		}
		part := turns(n, 1/float64(a.Ring.Holes))
		return fmt.Sprintf("Turn the brake ring %s by %s (%s).", way, s.index(n), part)
	case a.Shims != nil:
		from := "the pack"
		if a.Shims.Packs > 1 {
			from = fmt.Sprintf("each of the %d packs", a.Shims.Packs)
		}
		all := fmt.Sprintf("%d in all, %s mm each", n*a.Shims.Packs, shortMM(a.Shims.ThicknessMM))
		if back {
			return fmt.Sprintf("Put %s back into %s (%s).", several(n, "shim"), from, all)
		}
		return fmt.Sprintf("Take %s out of %s (%s).", several(n, "shim"), from, all)
	case a.Screw != nil && back:
		return fmt.Sprintf("Turn the adjusting screw back by %s.", s.Count(n))
	}
	return fmt.Sprintf("Turn the adjusting screw on by %s.", s.Count(n))
}

func (s Step) index(n int) string { return several(n, "index hole") }

// several is a count with its thing, one in a word.
func several(n int, thing string) string {
	if n == 1 {
		return "one " + thing
	}
	return strconv.Itoa(n) + " " + thing + "s"
}

// turns is n parts of a turn: a fraction in lowest terms where the part is one
// of a whole number, decimals otherwise.
func turns(n int, part float64) string {
	whole := math.Round(1 / part)
	if math.Abs(1/part-whole) > 1e-6*whole {
		text := strconv.FormatFloat(float64(n)*part, 'f', -1, 64)
		if float64(n)*part > 1 {
			return text + " turns"
		}
		return text + " turn"
	}
	num, den := n, int(whole)
	full := num / den
	num %= den
	d := gcd(num, den)
	num, den = num/d, den/d
	switch {
	case num == 0 && full == 1:
		return "one turn"
	case num == 0:
		return fmt.Sprintf("%d turns", full)
	case full == 0:
		return fmt.Sprintf("%d/%d turn", num, den)
	}
	return fmt.Sprintf("%d %d/%d turns", full, num, den)
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return max(a, 1)
}

// shortMM is a length as a site file writes it: 1.2 and not 1.20.
func shortMM(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// plainMM is a measured length to a hundredth of a millimetre.
func plainMM(v float64) string {
	text := strconv.FormatFloat(v, 'f', 2, 64)
	if text == "-0.00" {
		return "0.00"
	}
	return text
}

// PlusMinus is a length with its expanded uncertainty, U = 2u.
func PlusMinus(mm, u float64) string {
	if !(u > 0) {
		return plainMM(mm) + " mm"
	}
	// Rounded up: a printed 0.00 would say that there is none.
	U := math.Ceil(2*u*100-1e-6) / 100
	return plainMM(mm) + " ± " + plainMM(U) + " mm"
}

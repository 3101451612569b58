package analysis

import (
	"math"

	"gapward/sensors"
)

// holdEveryNS is how often a probe that reports changes alone counts as read in
// between: as often as one that is polled.
const holdEveryNS = 20e6

// held is the last word of a probe that reports changes alone. Its silence says
// that nothing has changed by as much as it reports, which is as good as a
// reading: without it a plateau, on which there is little to report, would weigh
// nothing beside the ramp before it.
type held struct {
	known   bool
	mm      float64
	onWayMM float64 // how much further it has come, as far as is known
	heardNS int64   // when it was said
	atNS    int64   // up to where it counts as read
}

// heard takes a reading of the probe, or that it called its own reading bad. A
// reading that nothing but its turn brought says what the travel has been since
// the one before, more exactly than that one: the last report of a ramp is that
// of a travel still under way.
func (b *Brake) heard(s sensors.Sample) {
	h, was := &b.held, b.held
	*h = held{known: s.Quality == sensors.Good, mm: s.Value, heardNS: s.AtNS, atNS: s.AtNS}
	if !h.known || !was.known {
		return
	}
	moved, report := h.mm-was.mm, b.set.Travel.ResolutionMM
	switch {
	case math.Abs(moved) < report:
		b.trace.amend(was.heardNS, h.mm)
	case moved != 0:
		h.onWayMM = math.Copysign(report/4, moved)
	}
}

// hold fills in what a probe that reports changes alone has kept to itself up to
// a time: that it read what it had read before. A silence in which it may as
// well be dead is not filled in.
func (b *Brake) hold(untilNS int64, out *Out) {
	h := &b.held
	if !h.known {
		return
	}
	if stale := int64(b.set.Travel.StaleAfter); stale > 0 {
		untilNS = min(untilNS, h.heardNS+stale)
	}
	for h.atNS+holdEveryNS < untilNS {
		h.atNS += holdEveryNS
		b.nowNS = max(b.nowNS, h.atNS)
		b.travel(h.atNS, h.mm+h.onWayMM, out)
	}
}

// amend gives all readings after a time another value.
func (t *trace) amend(afterNS int64, mm float64) {
	for i := len(t.kept) - 1; i >= t.head && t.at(i) > afterNS; i-- {
		t.kept[i].mm = float32(mm)
	}
}

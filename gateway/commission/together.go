package commission

import (
	"fmt"
)

// signals looks whether travel, drive and release switch of a brake belong
// together, and says which of them is wrong where they don't.
func (b *brake) signals(e evidence) {
	t, d, s := b.usable(b.travel), b.usable(b.drive), b.usable(b.released)
	moved := t != nil && t.moves
	switch {
	case d == nil && t == nil:
		b.onlySwitch(s)
		return
	case d == nil:
		b.withoutDrive(t, s, e)
		return
	case !d.moves:
		b.idleDrive(t, d, s)
	case t == nil:
		b.driveAlone(d, s)
	case !moved:
		b.stillTravel(t, d, s)
	default:
		b.both(t, d, s, e)
	}
	b.switchAgainst(t, d, s)
	b.inOrder(d, s)
}

// usable is the channel if it brings what can be looked at. One that doesn't
// answer has been found so already.
func (b *brake) usable(v *view) *view {
	if v == nil || !v.answers || len(v.series.v) < 2 {
		return nil
	}
	return v
}

// The checks of this file, by name.
const (
	withDrive  = "travel with drive"
	driveWorks = "drive"
	withTravel = "switch with travel"
)

const runIt = "Run the hoist a short way, some times, with the load landed and the hook secured."

// onlySwitch is a brake of which nothing but the switch can be seen.
func (b *brake) onlySwitch(s *view) {
	if s == nil {
		return
	}
	s.report.open(withTravel, "neither travel nor drive can be seen to compare with", "Put right the other signals of this brake first.")
}

// withoutDrive is a brake whose drive isn't wired or can't be read.
func (b *brake) withoutDrive(t, s *view, e evidence) {
	if !t.moves {
		t.report.open(withDrive, b.standsAt(t)+", and there is no drive to compare with", runIt)
		if s != nil && s.moves {
			t.report.fail("moves", b.standsAt(t), "the switch shows that the brake moves and the probe doesn't: another register, a frozen probe, or one that isn't fixed to the brake", wiggle)
		}
		b.switchAgainst(t, nil, s)
		return
	}
	if b.drive == nil {
		t.report.pass("moves", fmt.Sprintf("%s between %s and %s", plural(t.line.times(), "movement"), mm(t.low), mm(t.high)))
	} else {
		t.report.open(withDrive, "the drive can't be read", "Put right the drive first.")
	}
	switch rest, known := b.atRest(e, t); {
	case s.agrees(t, b.guard):
		t.report.pass("sign", "the reading rises when the switch says released")
	case known && rest || s.opposes(t, b.guard):
		t.report.fail("sign", "the reading is higher while the brake is set", "wrong sign: released must be the larger reading", swapSign)
	case known:
		t.report.pass("sign", "the reading is the lower one while the brake is set")
	default:
		t.report.open("sign", "without a drive, nothing says which level is the released one", "Answer the question for a standing hoist: run commission without --auto.")
	}
	b.switchAgainst(t, nil, s)
}

const (
	wiggle   = "Press on the probe's target by hand, isolated and locked out, and see whether the raw value moves."
	swapSign = "Swap the two numbers of mm: in the site file, or the probe's mounting."
)

// atRest is whether a signal was on while a person said that the brake was set.
func (b *brake) atRest(e evidence, v *view) (on, known bool) {
	n, ons := 0, 0
	for _, sp := range e.still {
		if sp.brake != b.index {
			continue
		}
		for at := sp.fromNS; at < sp.to; at += int64(holdEvery) {
			if at < v.line.fromNS || at > v.line.toNS {
				continue
			}
			on, _ := v.line.at(at)
			n++
			ons += bit(on)
		}
	}
	if n < 10 || ons > n/10 && ons < n*9/10 {
		return false, false
	}
	return ons > n/2, true
}

// idleDrive is a brake whose drive didn't change.
func (b *brake) idleDrive(t, d, s *view) {
	stays := fmt.Sprintf("stays at %d", bit(d.line.first))
	moves := 0
	for _, v := range []*view{t, s} {
		if v != nil && v.moves {
			moves = max(moves, v.line.times())
		}
	}
	if moves == 0 {
		d.report.open(driveWorks, stays+", and nothing of the brake moves", runIt)
		if t != nil {
			t.report.open(withDrive, b.standsAt(t)+"; the drive did not come on", runIt)
		}
		return
	}
	looks := "wrong address, or the contact isn't wired or doesn't switch"
	if o := b.matching(t, s, func(o *brake) *view { return o.usable(o.drive) }, d, 0); o != nil {
		looks = fmt.Sprintf("wrong address: the brake moves with what is wired as the drive of %s", o.name)
	}
	d.report.fail(driveWorks, fmt.Sprintf("%s, though the brake moved %s", stays, plural(moves, "time")), looks, "Compare the address with the device's list, and measure at its terminals while the hoist runs.")
	if t != nil && t.moves {
		t.report.open(withDrive, "the drive did not come on", "Put right the drive first.")
		if s.opposes(t, b.guard) {
			t.report.open("sign", "the reading rises when the switch says set", "Put right the drive; it shows which of the two is wrong.")
		}
	}
}

// driveAlone is a brake without a travel to be seen.
func (b *brake) driveAlone(d, s *view) {
	switch {
	case s == nil || !s.moves:
		d.report.open(driveWorks, fmt.Sprintf("came on %s, and nothing else of the brake can be seen", plural(d.line.times(), "time")), "Put right the brake's other signals first.")
	case s.agrees(d, b.guard):
		d.report.pass(driveWorks, fmt.Sprintf("came on %s, and the switch followed", plural(d.line.times(), "time")))
	default:
		d.report.open(driveWorks, "the switch doesn't follow it, and no travel decides between them", "Put right the brake's other signals first.")
	}
}

// stillTravel is a travel that stays where it is while the drive comes on.
func (b *brake) stillTravel(t, d, s *view) {
	found := fmt.Sprintf("%s while the drive came on %s", b.standsAt(t), plural(d.line.times(), "time"))
	switch {
	case s.agrees(d, b.guard):
		t.report.fail(withDrive, found, "the switch shows that the brake frees and the travel doesn't: another register, a frozen probe, or one that isn't fixed to the brake", wiggle)
		d.report.pass(driveWorks, fmt.Sprintf("came on %s, and the switch followed", plural(d.line.times(), "time")))
	default:
		t.report.fail(withDrive, found, "another register, a frozen probe, one that isn't fixed to the brake, or a brake that doesn't free", wiggle+" Look at the brake itself.")
		d.report.open(driveWorks, fmt.Sprintf("came on %s, and nothing of the brake followed", plural(d.line.times(), "time")), "Put right the travel first.")
	}
}

func (b *brake) standsAt(t *view) string {
	return fmt.Sprintf("the travel stays at %s (scatter %s)", mm(median(t.series.v)), mm(scatter(t.series.v)))
}

// both is a brake of which travel and drive move.
func (b *brake) both(t, d, s *view, e evidence) {
	phi, known := t.follows(d, b.guard)
	found := fmt.Sprintf("agreement %.2f over %s", phi, plural(d.line.times(), "drive-on"))
	b.report.figure("travel_with_drive", phi, "")
	driveOn, driveKnown := b.atRest(e, d)
	switch {
	case !known:
		t.report.open(withDrive, "too little was seen", runIt+" Two seconds each way, three between, are plenty.")
		d.report.open(driveWorks, "too little was seen", runIt)
	case phi >= agree && driveKnown && driveOn:
		d.report.fail(driveWorks, "reads 1 while the hoist stands", "inverted: 0 means on", invert(d))
		t.report.fail("sign", "the reading is higher while the brake is set", "wrong sign: released must be the larger reading", swapSign)
	case phi >= agree:
		t.report.pass(withDrive, found)
		t.report.pass("sign", "the reading rises when the drive comes on")
		d.report.pass(driveWorks, found)
	case phi <= -agree && b.matching(t, nil, func(o *brake) *view { return o.usable(o.drive) }, d, -phi) == nil:
		b.opposed(t, d, s, driveOn, driveKnown)
	default:
		b.strangers(t, d, s, found)
	}
}

// opposed is a travel that falls when the drive comes on: one of them is the
// wrong way round. What was read while the hoist stood says which, else the
// switch does.
func (b *brake) opposed(t, d, s *view, driveOn, driveKnown bool) {
	const found = "the reading falls when the drive comes on"
	turned := func() {
		d.report.fail(driveWorks, found, "inverted: 0 means on", invert(d))
		t.report.open(withDrive, "the drive is inverted", "Put right the drive first.")
	}
	sign := func() {
		t.report.fail("sign", found, "wrong sign: released must be the larger reading", swapSign)
		d.report.pass(driveWorks, fmt.Sprintf("came on %s", plural(d.line.times(), "time")))
	}
	switch {
	case driveKnown && driveOn:
		turned()
	case driveKnown:
		sign()
	case s.agrees(t, b.guard):
		turned()
	case s.agrees(d, b.guard):
		sign()
	default:
		const either = "either the drive is inverted or the travel has the wrong sign"
		do := "Watch with the hoist standing first (without --auto): the drive must then read 0. "
		t.report.fail("sign", found, either, do+swapSign)
		d.report.fail(driveWorks, found, either, do+invert(d))
	}
}

// invert says how an inverted contact is put right.
func invert(v *view) string {
	if v.c.Wiring.Invert {
		return "Take invert: true out of the site file."
	}
	return "Write invert: true in the site file, or use the contact's other half."
}

// strangers are a travel and a drive that both move, each on its own: one of
// them belongs to another brake.
func (b *brake) strangers(t, d, s *view, found string) {
	theirs := b.matching(t, nil, func(o *brake) *view { return o.usable(o.drive) }, d, 0)
	ours := b.matching(d, nil, func(o *brake) *view { return o.usable(o.travel) }, t, 0)
	driveWrong := s.agrees(t, b.guard) && !s.agrees(d, b.guard)
	switch {
	case theirs != nil && driveWrong:
		looks := fmt.Sprintf("wrong address: the brake moves with what is wired as the drive of %s", theirs.name)
		if ours == theirs {
			looks = fmt.Sprintf("the drives of this brake and %s are swapped", theirs.name)
		}
		d.report.fail(driveWorks, found, looks, swapAddresses)
		t.report.open(withDrive, "the drive is another brake's", "Put right the drive first.")
	case theirs != nil:
		looks := fmt.Sprintf("wrong register or probe: this is the travel of %s, it moves with that brake's drive", theirs.name)
		if ours == theirs {
			looks = fmt.Sprintf("the probes of this brake and %s are swapped", theirs.name)
			if s == nil || !s.moves {
				looks += ", or their drives are"
			}
		}
		t.report.fail(withDrive, found, looks, swapAddresses)
		d.report.open(driveWorks, fmt.Sprintf("came on %s; the travel is another brake's", plural(d.line.times(), "time")), "Put right the travel first.")
	case driveWrong:
		looks := "wrong address or contact: travel and switch move together, and not with it"
		if ours != nil {
			looks += "; it is perhaps the drive of " + ours.name
		}
		d.report.fail(driveWorks, found, looks, swapAddresses)
		t.report.open(withDrive, "the drive goes its own way", "Put right the drive first.")
	case ours != nil:
		t.report.fail(withDrive, found, fmt.Sprintf("the travel moves by itself; with this drive moves what is wired as the travel of %s", ours.name), swapAddresses)
		d.report.open(driveWorks, "the travel doesn't follow it", "Put right the travel first.")
	default:
		t.report.fail(withDrive, found, "the travel moves, and not with this drive or any other: one of them is at the wrong address, or the probe is loose", wiggle+" "+swapAddresses)
		d.report.open(driveWorks, "the travel doesn't follow it", "Put right the travel first.")
	}
}

const swapAddresses = "Compare the addresses of both brakes with the device's list, and follow the cables; run one hoist alone to be sure."

// matching is the other brake one of whose signals goes with this brake's, and
// that isn't merely always driven with it. Of mine, the first that moves counts.
//
// Hoists that run by chance at the same times may match too: over must be less
// than what is found, the agreement that another explanation already has.
func (b *brake) matching(mine, second *view, of func(*brake) *view, instead *view, over float64) *brake {
	if mine == nil || !mine.moves {
		mine = second
	}
	if mine == nil || !mine.moves {
		return nil
	}
	var best *brake
	most := max(agree, over)
	for _, o := range b.others {
		v := of(o)
		if v == nil || !v.moves || instead != nil && (samePlace(v.c.Wiring, instead.c.Wiring) || v.agrees(instead, b.guard)) {
			continue
		}
		if phi, ok := v.follows(mine, max(b.guard, o.guard)); ok && phi > most {
			best, most = o, phi
		}
	}
	return best
}

// switchAgainst looks whether the release switch closes when the brake is
// released: by the travel, or where that can't be believed by the drive.
func (b *brake) switchAgainst(t, d, s *view) {
	if s == nil {
		return
	}
	against, what := t, "travel"
	if t == nil || !t.moves || t.report.wrong() && d != nil && d.moves {
		against, what = d, "drive"
	}
	if against == nil || !against.moves {
		if s.moves {
			s.report.open(withTravel, fmt.Sprintf("closed %s; neither travel nor drive moves to compare with", plural(s.line.times(), "time")), "Put right the brake's other signals first.")
		} else {
			s.report.open(withTravel, fmt.Sprintf("stays at %d, and nothing of the brake moves", bit(s.line.first)), runIt)
		}
		return
	}
	phi, known := s.follows(against, b.guard)
	found := fmt.Sprintf("agreement with the %s %.2f", what, phi)
	moved := plural(against.line.times(), "time")
	// A drive that was found the wrong way round turns the comparison round.
	turned := what == "drive" && d.report.wrong()
	switch {
	case !s.moves && against.line.times() < 2:
		s.report.open(withTravel, fmt.Sprintf("stays at %d; the brake moved %s", bit(s.line.first), moved), runIt)
	case !s.moves:
		s.report.fail(withTravel, fmt.Sprintf("stays at %d, though the brake moved %s", bit(s.line.first), moved), "the switch is stuck, out of adjustment, not wired, or at another address",
			"Work the switch by hand, isolated and locked out, and look at the raw bit; then compare the address with the device's list.")
	case !known:
		s.report.open(withTravel, "too little was seen", runIt)
	case turned:
		s.report.open(withTravel, found, "Put right the drive first.")
	case phi >= agree:
		s.report.pass(withTravel, found+closes(s, against))
	default:
		looks, do := "it goes its own way: another signal's address, or a loose switch", swapAddresses
		o := b.matching(s, nil, func(o *brake) *view {
			if v := o.usable(o.travel); v != nil && v.moves {
				return v
			}
			return o.usable(o.drive)
		}, against, -phi)
		switch {
		case o != nil:
			looks = fmt.Sprintf("wrong address: it is the switch of %s", o.name)
		case phi <= -agree:
			looks, do = "inverted: it closes when the brake sets", invert(s)
		}
		s.report.fail(withTravel, found, looks, do)
	}
}

// closes says how long after the other signal the switch closes.
func closes(s, against *view) string {
	late := lags(s, against, true)
	if len(late) == 0 {
		return ""
	}
	return fmt.Sprintf(", closing %+.0f ms from it (median)", median(late))
}

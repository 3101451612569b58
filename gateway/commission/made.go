package commission

import (
	"errors"
	"fmt"
	"math"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// stampTrouble is why changes of a channel had no time of the device's own.
type stampTrouble struct {
	refused *modbus.Exception // the device has no such stamp or clock
	why     map[modbus.StampFault]int
}

// unstamped is how many changes had no time of the device's own: each left a bad
// reading, which is no word of the sensor's.
func (t stampTrouble) unstamped() (n int) {
	for _, of := range t.why {
		n += of
	}
	return n
}

// stampTrouble keeps what an error says of a stamp; ok is false where it says
// nothing of one.
func (g *gatherer) stampTrouble(err error) (ok bool) {
	var e *modbus.StampError
	if errors.As(err, &e) {
		if i, known := g.at[place{e.Channel.Brake, e.Channel.Signal}]; known {
			if g.e.stamps[i].why == nil {
				g.e.stamps[i].why = map[modbus.StampFault]int{}
			}
			g.e.stamps[i].why[e.Why]++
		}
		return true
	}
	return false
}

// final reports whether a refusal speaks of each of a request's channels: of a
// block the device may have refused but a part, and then its parts are asked for
// until one of them stands at a single address.
func final(r modbus.Request, refused *modbus.Exception) bool {
	const illegalAddress = 2 // Modbus Application Protocol V1.1b3, section 7
	place := func(c sensors.Channel) string {
		switch s := c.Wiring.Stamp; c.Part {
		case sensors.OfStamp:
			return fmt.Sprint("stamp ", *s.Address())
		case sensors.OfClock:
			return fmt.Sprint("stamp ", *s.Clock)
		}
		return where(c.Wiring)
	}
	for _, c := range r.Channels {
		if refused.Code == illegalAddress && place(c) != place(r.Channels[0]) {
			return false
		}
	}
	return true
}

// stampPlace says in words where a signal's stamp and clock are.
func stampPlace(s *sensors.Stamp) string {
	table := "input"
	if s.Holding != nil {
		table = "holding"
	}
	return fmt.Sprintf("%s registers %d (stamp) and %d (clock)", table, *s.Address(), *s.Clock)
}

// stamped looks whether a signal's changes came with the device's own time.
func (v *view) stamped(t stampTrouble) {
	s := v.c.Wiring.Stamp
	if s == nil || !v.answers {
		return
	}
	const name = "stamps"
	changes := len(v.line.changes)
	v.report.figure("changes", float64(changes), "")
	most := func(f modbus.StampFault) bool { return 2*t.why[f] > changes }
	where := stampPlace(s)
	found := func(f modbus.StampFault) string {
		return fmt.Sprintf("%d of %s without the device's own time: %s", t.why[f], plural(changes, "change"), f)
	}
	const compare = "Compare registers, type, word order and step of the clock with the device's list."
	switch {
	case t.refused != nil:
		v.report.fail(name, "it can't be read", fmt.Sprintf("wrong register: the device has nothing at %s (%v)", where, t.refused), compare)
	case changes == 0:
		v.report.open(name, "nothing changed", runIt)
	case most(modbus.StampStands):
		v.report.fail(name, found(modbus.StampStands), "wrong register: what is at "+where+" doesn't change with the signal", compare)
	case most(modbus.ClockUneven):
		v.report.fail(name, found(modbus.ClockUneven), fmt.Sprintf("wrong step, type, word order or register of the clock: it doesn't count %s", s.Step), compare)
	case most(modbus.StampLate):
		v.report.fail(name, found(modbus.StampLate), "too slow: stamps come after what they stamp has been used", "The device or the line can't keep up: write a longer poll, or put value, stamp and clock into neighbouring registers.")
	default:
		v.report.pass(name, fmt.Sprintf("%s stamped by the device in steps of %s", plural(changes, "change"), s.Step))
	}
}

// measuredTimes looks at the times that a device measures itself. They come once
// a cycle, so that they have neither rate nor noise.
func (b *brake) measuredTimes(e evidence, index func(*view) int) {
	for _, v := range []*view{b.releaseTime, b.setTime} {
		if v != nil {
			b.measuredTime(v, e.refusals[index(v)], e.failures[v.c.Wiring.Device])
		}
	}
}

func (b *brake) measuredTime(v *view, refused *modbus.Exception, failure error) {
	good, bad, silent := v.counts()
	v.report.figure("readings", float64(good), "")
	drives := 0
	if b.drive != nil && b.drive.answers {
		drives = b.drive.line.times()
	}
	found := fmt.Sprintf("%s over %s", plural(good, "measurement"), plural(drives, "drive-on"))
	const compare = "Compare register, type, counter and step with the device's list."
	told := median(v.series.v)
	v.report.figure("median", told, "ms")
	switch {
	case good == 0 && refused != nil:
		v.report.fail("answers", found, fmt.Sprintf("wrong register: the device has nothing at %s, or at its counter, or refuses what lies between them (%v)", where(v.c.Wiring), refused), compare)
	case good+bad == 0 && silent > 0 && failure != nil:
		v.report.fail("answers", found, "the device is dead or out of reach: "+failure.Error(), "Look at its supply, the cable, address and unit.")
	case drives < 2:
		v.report.open("measures", found, runIt)
	case good+bad == 0:
		v.report.fail("measures", found, fmt.Sprintf("wrong counter: register %d stands still while the brake is driven", *v.c.Wiring.Counter), compare)
	case float64(good+bad) > 1.5*float64(drives)+2:
		v.report.fail("measures", found, fmt.Sprintf("wrong counter: register %d moves more often than the brake", *v.c.Wiring.Counter), compare)
	case v.outside+bad > good/3:
		v.report.fail("measures", fmt.Sprintf("%s, %d that are no release or set time", found, v.outside+bad), "wrong register, type, word order or step", compare)
	case 2*good < drives:
		v.report.fail("measures", found, "the module measures only some of the cycles, or another brake's", "Look at what starts and ends its measurement.")
	default:
		v.report.pass("measures", found)
		v.plausible(summarise(b.cycles()), told, compare)
	}
}

// plausible compares a measured time with what gapward makes of the brake by
// itself, as surely as it does after a few cycles: polls that came late leave
// less to compare with.
func (v *view) plausible(m measured, told float64, compare string) {
	const name = "agrees with the travel"
	own, u := m.release*1e3, m.releaseU*1e3
	if v.c.Signal == sensors.SetTime {
		own, u = m.set*1e3, m.setU*1e3
	}
	if math.IsNaN(own) {
		v.report.open(name, fmt.Sprintf("%.1f ms (median), and nothing to compare with", told), "Wire the travel probe or the release switch, or time the brake by another instrument.")
		return
	}
	found := fmt.Sprintf("%.1f ms by the device, %.1f ms by gapward's own measuring (medians)", told, own)
	limit := math.Max(0.25*own, 3*math.Hypot(v.c.Wiring.UMS, u)+20)
	switch {
	case math.Abs(told-own) > limit:
		v.report.fail(name, found, fmt.Sprintf("wrong step, register or type, by the factor %.3g; or the device means another moment", told/own), compare)
	case 3*u > own/2: // a time twice or half as long would pass
		v.report.open(name, fmt.Sprintf("%s, the latter with a standard uncertainty of %.1f ms", found, u), runIt)
	default:
		v.report.pass(name, found)
	}
}

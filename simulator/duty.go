package simulator

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Duty says how a hoist is used. Its lifts come in bursts within the working
// hours of each day; how many there are depends on the weekday.
type Duty struct {
	LiftsPerDay [7]float64       // by [time.Weekday], Sunday first
	DayScatter  float64          // scatter of the day's number, as a part of it
	FromHour    float64          // working hours, 0 to 24 …
	ToHour      float64          // … ending later on the same day
	Zone        *time.Location   // of the working hours; nil means UTC
	BurstLifts  float64          // lifts until a longer pause, on average
	On          [2]time.Duration // shortest and longest time the drive is on
	JogOn       [2]time.Duration // the same for jogs
	JogShare    float64          // part of the lifts that are jogs
	Idle        [2]time.Duration // shortest and longest rest between lifts of a burst
	CreepShare  float64          // part of the lifts that end in the creep speed
	CreepOnly   float64          // part of the lifts in the creep speed alone
	CreepOn     [2]time.Duration // shortest and longest time the creep drive is on
}

// DefaultDuty is a hoist in a two-shift workshop, with so many lifts on a
// working day, half of them on Saturday and none on Sunday.
func DefaultDuty(liftsPerDay float64) Duty {
	n := liftsPerDay
	return Duty{
		LiftsPerDay: [7]float64{0, n, n, n, n, n, n / 2}, DayScatter: 0.12,
		FromHour: 6, ToHour: 22, BurstLifts: 8,
		On:    [2]time.Duration{1500 * time.Millisecond, 15 * time.Second},
		JogOn: [2]time.Duration{300 * time.Millisecond, 700 * time.Millisecond}, JogShare: 0.15,
		Idle:       [2]time.Duration{time.Second, 20 * time.Second},
		CreepShare: 0.5, CreepOnly: 0.1,
		CreepOn: [2]time.Duration{800 * time.Millisecond, 5 * time.Second},
	}
}

// ContinuousDuty is a hoist that lifts round the clock on every day, one lift
// after the other: something always happens, which suits a demonstration.
func ContinuousDuty() Duty {
	d := DefaultDuty(0)
	for i := range d.LiftsPerDay {
		d.LiftsPerDay[i] = 86400
	}
	d.DayScatter, d.FromHour, d.ToHour = 0, 0, 24
	d.On[1], d.Idle[0], d.Idle[1] = 8*time.Second, 2*time.Second, 9*time.Second
	return d
}

// minimumRest is the shortest rest between two lifts: less than it and a brake
// could still be on its way when the next lift begins.
const minimumRest = 500 * time.Millisecond

// changeOver is the time from the main drive off to the creep drive on.
const changeOver = 150 * time.Millisecond

// Validate reports the first figure with which the duty makes no sense.
func (d Duty) Validate() error {
	sum := 0.0
	for day, n := range d.LiftsPerDay {
		if !(n >= 0 && n <= 1e6) {
			return fmt.Errorf("LiftsPerDay on %s is %g; it must lie between 0 and 1e6", time.Weekday(day), n)
		}
		sum += n
	}
	if sum == 0 {
		return errors.New("LiftsPerDay is 0 on every day; the hoist must be used on one at least")
	}
	if !(d.FromHour >= 0 && d.FromHour < d.ToHour && d.ToHour <= 24) {
		return fmt.Errorf("working hours from %g to %g; they must rise within 0 to 24", d.FromHour, d.ToHour)
	}
	for _, c := range []struct {
		name  string
		span  [2]time.Duration
		least time.Duration
	}{
		{"On", d.On, 50 * time.Millisecond},
		{"JogOn", d.JogOn, 50 * time.Millisecond},
		{"CreepOn", d.CreepOn, 50 * time.Millisecond},
		{"Idle", d.Idle, minimumRest},
	} {
		if c.span[0] < c.least || c.span[1] < c.span[0] {
			return fmt.Errorf("%s is %v to %v; it must rise from %v or more", c.name, c.span[0], c.span[1], c.least)
		}
	}
	for _, c := range []struct {
		name  string
		value float64
	}{{"DayScatter", d.DayScatter}, {"JogShare", d.JogShare}, {"CreepShare", d.CreepShare}, {"CreepOnly", d.CreepOnly}, {"CreepShare + CreepOnly", d.CreepShare + d.CreepOnly}} {
		if !(c.value >= 0 && c.value <= 1) {
			return fmt.Errorf("%s is %g; it must lie between 0 and 1", c.name, c.value)
		}
	}
	if d.BurstLifts < 1 {
		return fmt.Errorf("BurstLifts is %g; it must be 1 or more", d.BurstLifts)
	}
	return nil
}

// Interval is a time for which a drive is on, UTC nanoseconds. The zero value
// means that the drive has no part in a lift.
type Interval struct{ OnNS, OffNS int64 }

// IsZero reports whether the drive has no part.
func (i Interval) IsZero() bool { return i == Interval{} }

// Lift is one use of the hoist: the main drive, the creep drive, or the main
// drive and then the creep drive.
type Lift struct{ Main, Creep Interval }

// Span is the time from the first drive on to the last drive off.
func (l Lift) Span() Interval {
	switch {
	case l.Creep.IsZero():
		return l.Main
	case l.Main.IsZero():
		return l.Creep
	}
	return Interval{l.Main.OnNS, l.Creep.OffNS}
}

// Part is the drive that a brake belongs to.
type Part uint8

// The drives of a hoist.
const (
	MainDrive Part = iota
	CreepDrive
)

func (p Part) of(l Lift) Interval {
	if p == CreepDrive {
		return l.Creep
	}
	return l.Main
}

// Schedule yields the lifts of a hoist in the order of time, without end. It
// works out one day at a time, each from the seed and its date alone, so that
// it may begin anywhere.
type Schedule struct {
	duty    Duty
	key     key
	normals *normals
	day     time.Time // local midnight of the day after the one in lifts
	lifts   []Lift
	next    int
	pauses  []float64 // weight of the pause before each lift, kept to spare allocations
}

// NewSchedule returns the schedule of the lifts that begin at from or later.
// Hoists with the same seed and name do the same.
func NewSchedule(duty Duty, seed uint64, hoist string, from time.Time) (*Schedule, error) {
	if err := duty.Validate(); err != nil {
		return nil, fmt.Errorf("duty of hoist %q: %w", hoist, err)
	}
	return newSchedule(duty, seed, hoist, from, newNormals()), nil
}

func newSchedule(duty Duty, seed uint64, hoist string, from time.Time, n *normals) *Schedule {
	if duty.Zone == nil {
		duty.Zone = time.UTC
	}
	y, m, d := from.In(duty.Zone).Date()
	s := &Schedule{duty: duty, key: newKey(seed, hoist, "duty"), normals: n, day: time.Date(y, m, d, 0, 0, 0, 0, duty.Zone)}
	fromNS := from.UnixNano()
	for l := s.Next(); ; l = s.Next() {
		if l.Span().OnNS >= fromNS {
			s.next--
			return s
		}
	}
}

// Next returns the next lift.
func (s *Schedule) Next() Lift {
	for s.next >= len(s.lifts) {
		s.planDay()
	}
	s.next++
	return s.lifts[s.next-1]
}

// nextOf returns the next time that a drive is on.
func (s *Schedule) nextOf(p Part) Interval {
	for {
		if i := p.of(s.Next()); !i.IsZero() {
			return i
		}
	}
}

// planDay works out the lifts of s.day and moves on to the day after.
func (s *Schedule) planDay() {
	d := &s.duty
	year, month, date := s.day.Date()
	at := func(hour float64) int64 {
		return time.Date(year, month, date, 0, 0, 0, int(hour*3600e9), d.Zone).UnixNano()
	}
	begin, end := at(d.FromHour), at(d.ToHour)
	k := key(s.key.bits(uint64(year*10000 + int(month)*100 + date)))
	wanted := d.LiftsPerDay[s.day.Weekday()] * (1 + d.DayScatter*s.normals.from(k.bits(0)))
	number := int(math.Max(0, wanted) + k.unit(1<<41)) // rounded up as often as its fraction says
	s.day = time.Date(year, month, date+1, 0, 0, 0, 0, d.Zone)

	// First the lifts as if they followed each other without a pause …
	s.lifts, s.pauses, s.next = s.lifts[:0], s.pauses[:0], 0
	clock, weights := begin, 0.0
	for i := 0; i < number; i++ {
		draw := uint64(1 + 8*i)
		l, after := s.draw(k, draw, clock)
		if after > end {
			break
		}
		pause := 0.0
		if i == 0 || k.unit(draw+5) < 1/d.BurstLifts {
			pause = -math.Log(k.unit(draw + 6))
		}
		weights += pause
		s.lifts, s.pauses, clock = append(s.lifts, l), append(s.pauses, pause), after
	}
	// … then what is left of the day goes between the bursts.
	left := float64(end - clock)
	weights -= math.Log(k.unit(1 << 40)) // the rest of the day after the last lift
	shift := 0.0
	for i := range s.lifts {
		shift += left * s.pauses[i] / weights
		s.lifts[i].Main.shift(int64(shift))
		s.lifts[i].Creep.shift(int64(shift))
	}
}

func (i *Interval) shift(by int64) {
	if !i.IsZero() {
		i.OnNS, i.OffNS = i.OnNS+by, i.OffNS+by
	}
}

// draw makes the lift that begins at a time, and says when the next may begin.
func (s *Schedule) draw(k key, draw uint64, at int64) (l Lift, after int64) {
	d := &s.duty
	span := func(i uint64, of [2]time.Duration) int64 {
		return int64(k.logUniform(draw+i, float64(of[0]), float64(of[1])))
	}
	kind := k.unit(draw)
	if kind < d.CreepOnly {
		l.Creep = Interval{at, at + span(1, d.CreepOn)}
	} else {
		on := d.On
		if k.unit(draw+2) < d.JogShare {
			on = d.JogOn
		}
		l.Main = Interval{at, at + span(3, on)}
		if kind < d.CreepOnly+d.CreepShare {
			begin := l.Main.OffNS + int64(changeOver)
			l.Creep = Interval{begin, begin + span(1, d.CreepOn)}
		}
	}
	return l, l.Span().OffNS + span(4, d.Idle)
}

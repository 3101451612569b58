package simulator

import (
	"math"
	"testing"
	"time"
)

func TestScheduleKeepsItsWeekAndHours(t *testing.T) {
	d := DefaultDuty(300)
	s, err := NewSchedule(d, 3, "quay-2", monday())
	if err != nil {
		t.Fatal(err)
	}
	const weeks = 20
	end := monday().AddDate(0, 0, 7*weeks).UnixNano()
	var perDay [7]float64
	var lifts, jogs, creep, creepOnly float64
	last := int64(0)
	for l := s.Next(); l.Span().OnNS < end; l = s.Next() {
		span := l.Span()
		if span.OnNS < last+int64(d.Idle[0]) {
			t.Fatalf("a lift begins at %d, %d ns after the one before", span.OnNS, span.OnNS-last)
		}
		last = span.OffNS
		at := time.Unix(0, span.OnNS).UTC()
		if h := at.Hour(); h < 6 || h >= 22 {
			t.Fatalf("a lift begins at %v", at)
		}
		perDay[at.Weekday()]++
		lifts++
		switch {
		case l.Main.IsZero():
			creepOnly++
		case !l.Creep.IsZero():
			creep++
			if l.Creep.OnNS-l.Main.OffNS != int64(changeOver) {
				t.Fatalf("the creep drive follows after %d ns", l.Creep.OnNS-l.Main.OffNS)
			}
		}
		if on := time.Duration(l.Main.OffNS - l.Main.OnNS); !l.Main.IsZero() {
			if on <= d.JogOn[1] {
				jogs++
			} else if on < d.On[0] || on > d.On[1] {
				t.Fatalf("the main drive is on for %v", on)
			}
		}
	}
	for day, n := range perDay {
		want := d.LiftsPerDay[day]
		if se := want * d.DayScatter / math.Sqrt(weeks); math.Abs(n/weeks-want) > 5*se+0.1 {
			t.Errorf("%v has %.1f lifts, it should have %.1f", time.Weekday(day), n/weeks, want)
		}
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"jogs", jogs / (lifts - creepOnly), d.JogShare}, {"creep after main", creep / lifts, d.CreepShare}, {"creep only", creepOnly / lifts, d.CreepOnly}} {
		if math.Abs(c.got-c.want) > 0.015 {
			t.Errorf("share of %s is %.3f, it should be %.3f", c.name, c.got, c.want)
		}
	}
}

func TestScheduleIsTheSameFromAnyStart(t *testing.T) {
	at := monday().AddDate(0, 0, 2).Add(13*time.Hour + 17*time.Minute)
	early, err := NewSchedule(DefaultDuty(300), 3, "quay-2", monday())
	if err != nil {
		t.Fatal(err)
	}
	late, err := NewSchedule(DefaultDuty(300), 3, "quay-2", at)
	if err != nil {
		t.Fatal(err)
	}
	l := early.Next()
	for l.Span().OnNS < at.UnixNano() {
		l = early.Next()
	}
	for i := range 1000 {
		if got := late.Next(); got != l {
			t.Fatalf("lift %d is %v from the late start and %v from the early one", i, got, l)
		}
		l = early.Next()
	}
}

func TestScheduleOfARarelyUsedHoist(t *testing.T) {
	d := DefaultDuty(0)
	d.LiftsPerDay[time.Wednesday] = 0.2
	s, err := NewSchedule(d, 3, "quay-2", monday())
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		if at := time.Unix(0, s.Next().Span().OnNS).UTC(); at.Weekday() != time.Wednesday {
			t.Errorf("a lift on %v", at)
		}
	}
}

func TestContinuousDutyNeverRestsLong(t *testing.T) {
	d := ContinuousDuty()
	s, err := NewSchedule(d, 3, "quay-2", monday())
	if err != nil {
		t.Fatal(err)
	}
	last := s.Next().Span().OffNS
	for range 20000 {
		span := s.Next().Span()
		if rest := time.Duration(span.OnNS - last); rest > d.Idle[1]+20*time.Second {
			t.Fatalf("a rest of %v before %v", rest, time.Unix(0, span.OnNS).UTC())
		}
		last = span.OffNS
	}
}

func TestDutyValidate(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*Duty)
		want  string
	}{
		{"unused", func(d *Duty) { d.LiftsPerDay = [7]float64{} }, "LiftsPerDay is 0 on every day; the hoist must be used on one at least"},
		{"backward hours", func(d *Duty) { d.FromHour = 23 }, "working hours from 23 to 22; they must rise within 0 to 24"},
		{"no rest", func(d *Duty) { d.Idle[0] = time.Millisecond }, "Idle is 1ms to 20s; it must rise from 500ms or more"},
		{"shares beyond one", func(d *Duty) { d.CreepOnly = 0.6 }, "CreepShare + CreepOnly is 1.1; it must lie between 0 and 1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := DefaultDuty(100)
			c.spoil(&d)
			if err := d.Validate(); err == nil || err.Error() != c.want {
				t.Errorf("got %v, want %s", err, c.want)
			}
		})
	}
}

package simulator

import (
	"math"
	"strings"
	"testing"
	"time"

	"gapward/sensors"
)

// pair is the same plant twice, one of them to be hurt.
type pair struct {
	well, hurt *Plant
	struck     time.Time
}

func newPair(t *testing.T, ev Event) pair {
	t.Helper()
	p := pair{struck: monday().Add(10 * time.Hour)}
	var err error
	if p.well, err = NewPlant(twoBrakes(), monday(), 5); err != nil {
		t.Fatal(err)
	}
	if p.hurt, err = NewPlant(twoBrakes(), monday(), 5); err != nil {
		t.Fatal(err)
	}
	ev.At = p.struck
	if ev.Brake == "" {
		ev.Brake = "quay-2/main"
	}
	if err := p.hurt.Apply(ev); err != nil {
		t.Fatal(err)
	}
	return p
}

// compare reads both plants each 150 ms from an hour before the event for three
// hours, and calls check with what differs after it. Before it nothing may.
func (p pair) compare(t *testing.T, check func(brake int32, s sensors.Signal, since time.Duration, well, hurt Reading)) {
	t.Helper()
	begin := p.struck.Add(-time.Hour).UnixNano()
	for at := begin; at < begin+3*3600e9; at += 150e6 {
		for brake := range int32(2) {
			for _, s := range sensors.Signals() {
				a, b := p.well.Read(brake, s, at), p.hurt.Read(brake, s, at)
				since := time.Duration(at - p.struck.UnixNano())
				if since < 0 {
					if a != b {
						t.Fatalf("%v of brake %d differs %v before the event", s, brake, -since)
					}
					continue
				}
				check(brake, s, since, a, b)
			}
		}
		if t.Failed() {
			return
		}
	}
}

// unhurt fails the test where a signal differs that shouldn't.
func unhurt(t *testing.T, brake int32, s sensors.Signal, well, hurt Reading) {
	t.Helper()
	if well != hurt {
		t.Errorf("%v of brake %d is %+v, it should be %+v", s, brake, hurt, well)
	}
}

func TestProbeFaultsChangeTheTravelReadingOnly(t *testing.T) {
	var held float64
	seen := false
	for _, c := range []struct {
		ev   Event
		want func(well Reading, s time.Duration) Reading
	}{
		{Event{Fault: ProbeBumped, Amount: 0.3}, func(r Reading, _ time.Duration) Reading { r.Value += 0.3; return r }},
		{Event{Fault: WireBreak}, func(r Reading, _ time.Duration) Reading { r.Broken = true; return r }},
		{Event{Fault: WireBreak, Lasts: time.Minute}, func(r Reading, s time.Duration) Reading { r.Broken = s < time.Minute; return r }},
		{Event{Fault: ProbeFrozen, Lasts: time.Hour}, func(r Reading, s time.Duration) Reading {
			if !seen {
				held, seen = r.Value, true
			}
			if s < time.Hour {
				r.Value = held
			}
			return r
		}},
	} {
		t.Run(string(c.ev.Fault), func(t *testing.T) {
			newPair(t, c.ev).compare(t, func(brake int32, s sensors.Signal, since time.Duration, well, hurt Reading) {
				if brake != 0 || s != sensors.Travel {
					unhurt(t, brake, s, well, hurt)
					return
				}
				want := c.want(well, since)
				if math.Abs(hurt.Value-want.Value) > 1e-9 || hurt.Broken != want.Broken || hurt.Silent != want.Silent {
					t.Errorf("after %v travel is %+v, it should be %+v", since, hurt, want)
				}
			})
		})
	}
}

func TestDeviceFaultsStrikeEveryBrakeOnTheDevice(t *testing.T) {
	for _, c := range []struct {
		ev   Event
		want func(Reading) Reading
	}{
		{Event{Fault: DeviceSilent}, func(r Reading) Reading { r.Silent = true; return r }},
		{Event{Fault: ClockOff, Amount: -90}, func(r Reading) Reading { r.ClockBy = -90 * time.Second; return r }},
		{Event{Fault: SlowNetwork, Amount: 0.25}, func(r Reading) Reading { r.Slow = 250 * time.Millisecond; return r }},
	} {
		t.Run(string(c.ev.Fault), func(t *testing.T) {
			newPair(t, c.ev).compare(t, func(brake int32, s sensors.Signal, _ time.Duration, well, hurt Reading) {
				unhurt(t, brake, s, c.want(well), hurt)
			})
		})
	}
}

// cyclesAfter are the truths of the main brake for eight hours from an event
// at ten o'clock.
func cyclesAfter(t *testing.T, spec BrakeSpec, events ...Event) (list []Truth, struckNS int64) {
	t.Helper()
	p := plantOf(t, spec)
	struck := monday().Add(10 * time.Hour)
	for _, ev := range events {
		ev.At, ev.Brake = struck.Add(ev.After), spec.Name
		if err := p.Apply(ev); err != nil {
			t.Fatal(err)
		}
	}
	p.AdvanceTo(struck.Add(-time.Second))
	for _, c := range truths(p, struck.Add(8*time.Hour)) {
		if c.OnNS > struck.UnixNano()+int64(lead) {
			list = append(list, c)
		}
	}
	if len(list) < 20 {
		t.Fatalf("only %d cycles after the event", len(list))
	}
	return list, struck.UnixNano()
}

func TestWearFastMultipliesTheWear(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	well, _ := cyclesAfter(t, b)
	hurt, _ := cyclesAfter(t, b, Event{Fault: WearFast, Amount: 40})
	for i := range well {
		if math.Abs(hurt[i].WearUM-40*well[i].WearUM) > 1e-9 {
			t.Fatalf("cycle %d wore %.4f µm, 40 × %.4f were asked for", i, hurt[i].WearUM, well[i].WearUM)
		}
	}
}

func TestAdjustedTakesTheAmountOffTheGapOnce(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	well, _ := cyclesAfter(t, b)
	hurt, _ := cyclesAfter(t, b, Event{Fault: Adjusted, Amount: 0.5})
	for i := range well {
		if d := well[i].UnderlyingMM - hurt[i].UnderlyingMM; math.Abs(d-0.5) > 1e-9 {
			t.Fatalf("cycle %d: the gap is smaller by %.6f mm, it should be 0.5", i, d)
		}
		if d := well[i].GapMM - hurt[i].GapMM; math.Abs(d-0.5) > 1e-4 {
			t.Fatalf("cycle %d: the measured gap is smaller by %.6f mm, it should be 0.5", i, d)
		}
	}
}

func TestAdjustedShowsAsSoonAsTheBrakeRests(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), 20*time.Millisecond)
	p := plantOf(t, b)
	night := monday().Add(26 * time.Hour)
	if err := p.Apply(Event{At: night, Brake: b.Name, Fault: Adjusted, Amount: 0.5}); err != nil {
		t.Fatal(err)
	}
	before := p.Read(0, sensors.Travel, night.UnixNano()-1).Value
	after := p.Read(0, sensors.Travel, night.UnixNano()+1e9).Value
	if math.Abs(after-before-0.5) > 1e-9 {
		t.Errorf("the set level rose by %.6f mm at the adjustment, it should be 0.5", after-before)
	}
}

func TestNewLiningBeginsAnew(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	b.Params.WearCV = 0
	for _, c := range []struct{ amount, want float64 }{{0, 1.6}, {1.9, 1.9}} {
		list, _ := cyclesAfter(t, b, Event{Fault: Adjusted, Amount: -0.8}, Event{Fault: NewLining, Amount: c.amount})
		if got := list[0].UnderlyingMM; math.Abs(got-c.want) > 0.002 {
			t.Errorf("the gap after a new lining of %g mm is %.4f mm, it should be %.4f", c.amount, got, c.want)
		}
		if w := list[0].WearUM; w < 3.5*b.Params.WearUM {
			t.Errorf("the new lining wears %.4f µm a stop, it should run in", w)
		}
	}
}

func TestNotFreeingStaysSet(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), 20*time.Millisecond)
	list, _ := cyclesAfter(t, b, Event{Fault: NotFreeing, Lasts: 2 * time.Hour})
	p := plantOf(t, b)
	if err := p.Apply(Event{At: monday().Add(10 * time.Hour), Brake: b.Name, Fault: NotFreeing, Lasts: 2 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	end := monday().Add(12 * time.Hour).UnixNano()
	freed := 0
	for _, c := range list {
		moved := p.Read(0, sensors.Travel, c.OffNS-1).Value - p.Read(0, sensors.Travel, c.OnNS-1).Value
		closed := p.Read(0, sensors.Released, c.OffNS-1).Value == 1
		switch {
		case c.OnNS < end:
			if moved != 0 || closed || c.WearUM != 0 || !math.IsNaN(c.GapMM) || !math.IsNaN(c.ReleaseS) || !math.IsNaN(c.SetS) {
				t.Fatalf("a brake that doesn't free moved by %.4f mm, switch %v: %+v", moved, closed, c)
			}
		case c.OnNS > end+int64(lead) && c.OffNS-c.OnNS > 1e9:
			freed++
			if moved < 1.5 || !closed {
				t.Fatalf("the brake should free again; it moved by %.4f mm, switch %v", moved, closed)
			}
		}
	}
	if freed == 0 {
		t.Error("no cycle after the fault")
	}
}

func TestDraggingFreesPartly(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), 20*time.Millisecond)
	p := plantOf(t, b)
	ev := Event{At: monday().Add(10 * time.Hour), Brake: b.Name, Fault: Dragging, Amount: 0.4}
	if err := p.Apply(ev); err != nil {
		t.Fatal(err)
	}
	list, _ := cyclesAfter(t, b, ev)
	seen := 0
	for _, c := range list {
		if c.OffNS-c.OnNS < 1e9 {
			continue
		}
		seen++
		before, free := p.Read(0, sensors.Travel, c.OnNS-1).Value, p.Read(0, sensors.Travel, c.OffNS-1).Value
		if want := 0.4 * (c.ReleasedMM - c.SetBeforeMM); math.Abs(free-before-want) > 1e-9 {
			t.Fatalf("it frees by %.6f mm, it should be %.6f", free-before, want)
		}
		if !math.IsNaN(c.GapMM) || p.Read(0, sensors.Released, c.OffNS-1).Value == 1 {
			t.Fatal("a dragging brake counts as free")
		}
	}
	if seen == 0 {
		t.Error("no full cycle")
	}
}

func TestNotSettingStaysFreeUntilSwitchedOff(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), 20*time.Millisecond)
	for _, c := range []struct{ amount, part float64 }{{0, 1}, {0.5, 0.5}} {
		p := plantOf(t, b)
		struck := monday().Add(10 * time.Hour)
		if err := p.Apply(Event{At: struck, Brake: b.Name, Fault: NotSetting, Amount: c.amount, Lasts: time.Hour}); err != nil {
			t.Fatal(err)
		}
		end := struck.Add(time.Hour).UnixNano()
		list, _ := cyclesAfter(t, b, Event{Fault: NotSetting, Amount: c.amount, Lasts: time.Hour})
		before := p.Read(0, sensors.Travel, struck.UnixNano()).Value
		for list[0].OffNS-list[0].OnNS < 1e9 { // a jog may end before the brake is free
			list = list[1:]
		}
		for i, cy := range list {
			if i+1 == len(list) || list[i+1].OnNS > end {
				break
			}
			stays := p.Read(0, sensors.Travel, cy.OffNS+900e6).Value
			if want := c.part * 1.6; math.Abs(stays-before-want) > 0.02 {
				t.Fatalf("amount %g: it stays free by %.4f mm, it should be %.4f", c.amount, stays-before, want)
			}
			if !math.IsNaN(cy.SetS) {
				t.Fatalf("a brake that doesn't set has a set time of %.3f s", cy.SetS)
			}
		}
		fallen := p.Read(0, sensors.Travel, end+30e9).Value
		free := p.Read(0, sensors.Drive, end+30e9).Value == 1
		if !free && math.Abs(fallen-before) > 0.02 {
			t.Errorf("amount %g: switched off it stands %.4f mm above its set level", c.amount, fallen-before)
		}
	}
}

func TestEventValidate(t *testing.T) {
	for _, c := range []struct {
		ev   Event
		want string
	}{
		{Event{Brake: "a", Fault: "melted"}, `unknown fault "melted"; it must be one of wear-fast, probe-bumped,`},
		{Event{Fault: WireBreak}, "fault wire-break names no brake"},
		{Event{Brake: "a", Fault: Adjusted, Amount: 1, Lasts: time.Hour}, "adjusted happens once; it can neither last nor be switched off"},
		{Event{Brake: "a", Fault: Dragging, Amount: 2}, "the amount of dragging is 2; it must lie between 0 and 1 (a part of the travel)"},
		{Event{Brake: "a", Fault: SlowNetwork, Amount: math.NaN()}, "the amount of slow-network is NaN; it must lie between 0 and 60 s"},
		{Event{Brake: "a", Fault: WireBreak, Amount: 1}, "the amount of wire-break is 1; it must lie between 0 and 0 (it takes no amount)"},
		{Event{Brake: "a", Fault: Dragging, Off: true, Amount: 1}, "dragging is switched off; that takes neither an amount nor a time it lasts"},
		{Event{Brake: "a", Fault: Dragging, Lasts: -1}, "dragging has a negative time; after and lasts must be 0 or more"},
	} {
		if err := c.ev.Validate(); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%+v gives %v, want %s", c.ev, err, c.want)
		}
	}
	for _, f := range Faults() {
		if err := (Event{Brake: "a", Fault: f}).Validate(); err != nil {
			t.Errorf("%s with no amount: %v", f, err)
		}
	}
	p, err := NewPlant(twoBrakes(), monday(), 5)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Apply(Event{Brake: "quay-9/main", Fault: WireBreak}); err == nil || err.Error() != `fault wire-break: there is no brake named "quay-9/main"` {
		t.Errorf("a brake that isn't there gives %v", err)
	}
}

func TestStreamShowsFaultsAsQuality(t *testing.T) {
	at := func(h float64) time.Time { return monday().Add(time.Duration(h * float64(time.Hour))) }
	all := history(t, twoBrakes(), 14*time.Hour, 999,
		Event{At: at(8), Brake: "quay-2/main", Fault: WireBreak, Lasts: time.Hour},
		Event{At: at(10), Brake: "quay-2/main", Fault: DeviceSilent, Lasts: time.Hour})
	seen := make(map[sensors.Quality]int)
	for _, x := range all {
		if x.Signal == sensors.Tick {
			continue
		}
		want := sensors.Good
		hour := time.Unix(0, x.AtNS).UTC().Hour()
		switch {
		case hour == 8 && x.Brake == 0 && x.Signal == sensors.Travel:
			want = sensors.Bad
		case hour == 10:
			want = sensors.NoAnswer
		}
		if x.Quality != want || want != sensors.Good && x.Value != 0 {
			t.Fatalf("%v of brake %d at hour %d is %v with the value %g, it should be %v", x.Signal, x.Brake, hour, x.Quality, x.Value, want)
		}
		seen[x.Quality]++
	}
	if seen[sensors.Bad] < 100 || seen[sensors.NoAnswer] < 100 {
		t.Errorf("too few to tell: %v", seen)
	}
}

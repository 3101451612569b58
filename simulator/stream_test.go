package simulator

import (
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/sensors"
)

// history collects a stream's samples with buffers of a size.
func history(t *testing.T, brakes []BrakeSpec, span time.Duration, size int, events ...Event) []sensors.Sample {
	t.Helper()
	s, err := NewStream(brakes, monday(), monday().Add(span), 11)
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range events {
		if err := s.Apply(ev); err != nil {
			t.Fatal(err)
		}
	}
	var all []sensors.Sample
	buf := make([]sensors.Sample, size)
	for n := s.Next(buf); n > 0; n = s.Next(buf) {
		all = append(all, buf[:n]...)
	}
	return all
}

func twoBrakes() []BrakeSpec {
	creep := wiredBrake(1, "quay-2/creep")
	creep.Part = CreepDrive
	creep.Params.InitialGapMM = 1
	return []BrakeSpec{wiredBrake(0, "quay-2/main"), creep}
}

func TestStreamIsDeterministicForAnyBuffer(t *testing.T) {
	want := history(t, twoBrakes(), 8*time.Hour, 4096)
	if len(want) < 100000 {
		t.Fatalf("only %d samples", len(want))
	}
	for _, size := range []int{1, 7, 1000} {
		got := history(t, twoBrakes(), 8*time.Hour, size)
		if !slices.Equal(got, want) {
			t.Errorf("buffers of %d give other samples than buffers of 4096", size)
		}
	}
}

func TestStreamIsInOrderAndComplete(t *testing.T) {
	all := history(t, twoBrakes(), 24*time.Hour, 512)
	counts := make(map[sensors.Signal]int)
	for i, x := range all {
		counts[x.Signal]++
		if i > 0 && x.AtNS < all[i-1].AtNS {
			t.Fatalf("sample %d is %d ns before the one ahead of it", i, all[i-1].AtNS-x.AtNS)
		}
		if i > 0 && x.AtNS-all[i-1].AtNS > int64(tickEvery)+int64(quiet) {
			t.Fatalf("nothing for %v before sample %d", time.Duration(x.AtNS-all[i-1].AtNS), i)
		}
		if x.Quality != sensors.Good {
			t.Fatalf("sample %d is %v", i, x)
		}
		if x.Signal == sensors.Tick && x.Brake != sensors.NoBrake {
			t.Fatalf("a tick of brake %d", x.Brake)
		}
	}
	// A poll of one kind may just make it into a window that another misses.
	if d := counts[sensors.Travel] - counts[sensors.Drive]; d < -100 || d > 100 || counts[sensors.Drive] != counts[sensors.Released] {
		t.Errorf("travel, drive and released are polled unequally: %v", counts)
	}
	// Night is 8 of 24 hours at 6 ticks an hour; there are pauses by day too.
	if n := counts[sensors.Tick]; n < 48 || n > 144 {
		t.Errorf("%d ticks in a day", n)
	}
	if counts[sensors.Temperature] == 0 {
		t.Error("the temperature is never read")
	}
}

func TestStreamPollsWithItsPeriodAndLittleJitter(t *testing.T) {
	all := history(t, twoBrakes()[:1], 9*time.Hour, 512)
	last, within, phases := int64(0), 0, make(map[int64]bool)
	for _, x := range all {
		if x.Signal != sensors.Travel {
			continue
		}
		if d := x.AtNS - last; d < 100e6 { // longer ones are the time between two lifts
			within++
			if d < 18e6 || d > 22e6 {
				t.Fatalf("two readings of travel %d ns apart", d)
			}
		}
		phases[x.AtNS%20e6/100e3] = true
		last = x.AtNS
	}
	if within < 10000 || len(phases) < 15 {
		t.Errorf("%d readings in %d phases of 0.1 ms; polling should be jittered over 2 ms", within, len(phases))
	}
}

func TestBrakeIsTheSameAloneAndInCompany(t *testing.T) {
	both := history(t, twoBrakes(), 8*time.Hour, 999)
	alone := history(t, twoBrakes()[1:], 8*time.Hour, 999)
	of := func(all []sensors.Sample) []sensors.Sample {
		return slices.DeleteFunc(slices.Clone(all), func(x sensors.Sample) bool { return x.Brake != 1 })
	}
	if !slices.Equal(of(both), of(alone)) {
		t.Error("the creep brake's samples depend on whether the main brake stands beside it")
	}
}

func TestSeedsAndNamesDiffer(t *testing.T) {
	a := wiredBrake(0, "quay-2/main")
	b := wiredBrake(1, "quay-2/other")
	all := history(t, []BrakeSpec{a, b}, 7*time.Hour, 999)
	values := make(map[int32][]float64)
	for _, x := range all {
		if x.Signal == sensors.Travel {
			values[x.Brake] = append(values[x.Brake], x.Value)
		}
	}
	if slices.Equal(values[0], values[1]) {
		t.Error("two brakes show the same noise")
	}
}

func TestByExceptionReportsChangesAndAtLeast(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	b.Wire(sensors.Travel, sensors.Wiring{Device: "trolley", Topic: "t/travel", OnChange: 0.05, AtLeastEvery: time.Second})
	b.Wire(sensors.Drive, sensors.Wiring{Device: "trolley", Topic: "t/drive", AtLeastEvery: time.Hour})
	all := history(t, []BrakeSpec{b}, 9*time.Hour, 999)
	var last *sensors.Sample
	drive, travels := -1.0, 0
	for i := range all {
		x := &all[i]
		switch x.Signal {
		case sensors.Travel:
			travels++
			if last != nil && x.AtNS-last.AtNS < 1e9 && x.Value-last.Value < 0.05 && last.Value-x.Value < 0.05 {
				t.Fatalf("reported %.4f after %.4f within a second", x.Value, last.Value)
			}
			last = x
		case sensors.Drive:
			if x.Value == drive && i > 0 && x.AtNS-all[0].AtNS < 3600e9 {
				t.Fatal("the drive is reported without a change")
			}
			drive = x.Value
		}
	}
	if travels < 1000 {
		t.Errorf("only %d travels reported", travels)
	}
}

func TestStreamGoesOnLive(t *testing.T) {
	to := monday().Add(30 * time.Hour)
	s, err := NewStream(twoBrakes(), monday(), to, 11)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]sensors.Sample, 4096)
	for s.Next(buf) > 0 {
	}
	live := s.Plant()
	other, err := NewPlant(twoBrakes(), monday(), 11)
	if err != nil {
		t.Fatal(err)
	}
	other.AdvanceTo(to)
	for i := range 20000 {
		at := to.UnixNano() + int64(i)*20e6
		for brake := range int32(2) {
			for _, sig := range sensors.Signals() {
				if a, b := live.Read(brake, sig, at), other.Read(brake, sig, at); a != b {
					t.Fatalf("%v of brake %d after %d ms: %v after a history, %v without", sig, brake, i*20, a, b)
				}
			}
		}
	}
}

func TestSetDutyLeavesTheBrakeAsItIs(t *testing.T) {
	// Once at night, at rest, and once while the drive is on.
	b := ideal(wiredBrake(0, "quay-2/main"), 20*time.Millisecond)
	driven := truths(plantOf(t, b), monday().Add(12*time.Hour))
	long := slices.IndexFunc(driven, func(c Truth) bool { return c.OffNS-c.OnNS > 3e9 })
	for _, atNS := range []int64{monday().Add(26 * time.Hour).UnixNano(), driven[long].OnNS + 2e9} {
		p := plantOf(t, b)
		p.AdvanceTo(time.Unix(0, atNS))
		gapMM, _ := p.GapMM(0)
		travel, drive := p.Read(0, sensors.Travel, atNS), p.Read(0, sensors.Drive, atNS)
		if err := p.SetDuty(ContinuousDuty(), time.Unix(0, atNS)); err != nil {
			t.Fatal(err)
		}
		if g, _ := p.GapMM(0); g != gapMM {
			t.Errorf("the gap went from %g to %g mm", gapMM, g)
		}
		if a, b := p.Read(0, sensors.Travel, atNS), p.Read(0, sensors.Drive, atNS); a != travel || b != drive {
			t.Errorf("travel and drive went from %v, %v to %v, %v", travel, drive, a, b)
		}
		list := truths(p, time.Unix(0, atNS).Add(time.Hour))
		if len(list) < 150 {
			t.Errorf("%d cycles in an hour of continuous use", len(list))
		}
		last := 0.0
		for i, c := range list {
			if i > 0 && c.OnNS-list[i-1].OffNS < int64(minimumRest) || i > 0 && c.SetBeforeMM != last {
				t.Fatalf("cycle %d begins at %d with the set level %g; the one before ended at %d with %g", i, c.OnNS, c.SetBeforeMM, list[i-1].OffNS, last)
			}
			last = c.SetAfterMM
		}
	}
	p := plantOf(t, b)
	if err := p.SetDuty(Duty{}, monday()); err == nil {
		t.Error("a duty without lifts is accepted")
	}
}

func TestEventsOfThePastHappenNow(t *testing.T) {
	p := plantOf(t, wiredBrake(0, "quay-2/main"))
	now := monday().Add(30 * time.Hour).UnixNano()
	held := p.Read(0, sensors.Travel, now).Value
	for _, ev := range []Event{{}, {At: monday().AddDate(-1, 0, 0)}} {
		ev.Brake, ev.Fault, ev.Lasts = "quay-2/main", ProbeFrozen, time.Minute
		if err := p.Apply(ev); err != nil {
			t.Fatal(err)
		}
	}
	if got := p.Read(0, sensors.Travel, now+59e9).Value; got != held {
		t.Errorf("frozen for a minute at %.4f mm the probe reads %.4f mm", held, got)
	}
	if got := p.Read(0, sensors.Travel, now+61e9).Value; got == held {
		t.Error("the probe is still frozen")
	}
}

func TestCreepBrakeIsDrivenInTheCreepPartOnly(t *testing.T) {
	both := make(map[int32]float64)
	overlap, creepOn := 0, 0
	for _, x := range history(t, twoBrakes(), 12*time.Hour, 999) {
		if x.Signal != sensors.Drive {
			continue
		}
		both[x.Brake] = x.Value
		if x.Brake == 1 && x.Value == 1 {
			creepOn++
			if both[0] == 1 {
				overlap++
			}
		}
	}
	if creepOn == 0 || overlap > creepOn/100 {
		t.Errorf("both drives were on in %d of %d readings of the creep drive", overlap, creepOn)
	}
}

func TestNewStreamRefuses(t *testing.T) {
	bad := wiredBrake(0, "quay-2/main")
	bad.Params.WearUM = -1
	creepless := wiredBrake(0, "quay-2/creep")
	creepless.Part, creepless.Duty.CreepShare, creepless.Duty.CreepOnly = CreepDrive, 0, 0
	for _, c := range []struct {
		name   string
		brakes []BrakeSpec
		want   string
	}{
		{"bad parameters", []BrakeSpec{bad}, "parameters of brake quay-2/main: WearUM is -1"},
		{"twins", []BrakeSpec{wiredBrake(0, "a"), wiredBrake(1, "a")}, "brake a (position 1) is given twice"},
		{"no name", []BrakeSpec{wiredBrake(3, "")}, "brake 3 has no name"},
		{"undriven", []BrakeSpec{creepless}, "its drive would never come on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewStream(c.brakes, monday(), monday().Add(time.Hour), 1)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %s", err, c.want)
			}
		})
	}
	if _, err := NewStream(twoBrakes(), monday(), monday(), 1); err == nil {
		t.Error("a history without length is accepted")
	}
}

func BenchmarkStream(b *testing.B) {
	s, err := NewStream(twoBrakes(), monday(), monday().AddDate(50, 0, 0), 1)
	if err != nil {
		b.Fatal(err)
	}
	buf := make([]sensors.Sample, 4096)
	b.ReportAllocs()
	samples := 0
	for b.Loop() {
		samples += s.Next(buf)
	}
	b.ReportMetric(float64(samples)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

package simulator

import (
	"math"
	"testing"
	"time"

	"gapward/sensors"
)

func TestBounceFallsAndStaysBelowItsHeight(t *testing.T) {
	p := DefaultParams(1.6)
	for _, release := range []bool{true, false} {
		m := move{startNS: 1000, travelNS: 100e6, from: 0, to: 1.6, release: release}
		highest := make([]float64, 5)
		for ns := int64(1000); ns < 500e6; ns += 1e5 {
			x := m.at(ns, &p)
			if x < 0 || x > 1.6 {
				t.Fatalf("the brake is at %.4f mm, outside its stops", x)
			}
			since := float64(ns) - 1000 - m.travelNS
			if since < 0 {
				continue
			}
			if n := int(since * 1e-9 * p.BounceHz); n < len(highest) {
				highest[n] = math.Max(highest[n], 1.6-x)
			}
			if since > tails*p.BounceDecayS*1e9 && x != 1.6 {
				t.Fatalf("%.0f ms after its arrival the brake still bounces", since*1e-6)
			}
		}
		if highest[0] > p.BouncePart*1.6 || highest[0] < 0.5*p.BouncePart*1.6 {
			t.Errorf("the first bounce is %.4f mm high, of %.4f", highest[0], p.BouncePart*1.6)
		}
		for n := 1; n < len(highest); n++ {
			if want := highest[n-1] * math.Exp(-1/(p.BounceHz*p.BounceDecayS)); math.Abs(highest[n]-want) > 0.02*highest[0] {
				t.Errorf("bounce %d is %.5f mm high, it should be %.5f", n, highest[n], want)
			}
		}
	}
}

func TestMoveRisesAndKnowsWhenItIsWhere(t *testing.T) {
	p := DefaultParams(1.6)
	for _, c := range []struct {
		release bool
		damping float64
	}{{release: true}, {release: false}, {true, 4}, {false, 0.5}} {
		p.Damping = c.damping
		m := move{startNS: 50e6, travelNS: 100e6, from: 2, to: 0.4, release: c.release}
		last := 2.0
		for ns := int64(50e6); ns <= 150e6; ns += 1e6 {
			x := m.at(ns, &p)
			if x > last {
				t.Fatalf("the way turns back at %d ms", ns/1e6)
			}
			last = x
			if back := m.reachesNS(x, &p); math.Abs(float64(back-ns)) > 1e3 {
				t.Fatalf("the level at %d ns is said to be reached at %d", ns, back)
			}
		}
		if half := m.at(100e6, &p); half < 1.2 != (c.damping > 0) {
			t.Errorf("half way in time it is at %.2f mm; it should speed up, but where it is damped", half)
		}
		if m.reachesNS(3, &p) != never || m.reachesNS(0.3, &p) != never {
			t.Error("levels off the way are said to be reached")
		}
	}
}

func TestADriveThatGoesOffEarlyTurnsTheBrakeRound(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), time.Millisecond)
	b.Params.ReleaseDelayS = 0.15
	b.Duty.JogShare, b.Duty.JogOn = 1, [2]time.Duration{60 * time.Millisecond, 300 * time.Millisecond}
	b.Duty.CreepOnly = 0
	list := truths(plantOf(t, b), monday().Add(12*time.Hour))
	p := plantOf(t, b)
	unmoved, turned, arrived := 0, 0, 0
	for _, c := range list {
		top, last := -1.0, math.NaN()
		for ns := c.OnNS - 1; ns < c.OffNS+400e6; ns += 5e5 {
			x := p.Read(0, sensors.Travel, ns).Value - b.Params.ProbeZeroMM
			if math.Abs(x-last) > 0.06 {
				t.Fatalf("the brake jumps by %.3f mm within half a millisecond", x-last)
			}
			top, last = max(top, x), x
		}
		travel := (top - c.SetBeforeMM) / (c.ReleasedMM - c.SetBeforeMM)
		switch {
		case travel < 0.01:
			unmoved++
		case travel < 0.999:
			turned++
			if !math.IsNaN(c.GapMM) || !math.IsNaN(c.ReleaseS) {
				t.Fatalf("a brake turned round at %.2f of its travel has a gap or a release time", travel)
			}
		default:
			arrived++
		}
		if (travel > 0.51) != (c.WearUM > 0) && (travel < 0.49 || travel > 0.51) {
			t.Fatalf("a stop from %.2f of the travel wore %.3f µm", travel, c.WearUM)
		}
	}
	if unmoved == 0 || turned < 5 || arrived < 5 {
		t.Errorf("%d stayed set, %d turned round, %d arrived; the test needs all", unmoved, turned, arrived)
	}
}

func TestReleaseSwitchHasHysteresis(t *testing.T) {
	b := ideal(wiredBrake(0, "quay-2/main"), time.Millisecond)
	list := truths(plantOf(t, b), monday().Add(8*time.Hour))
	p := plantOf(t, b)
	seen := 0
	for _, c := range list {
		if c.OffNS-c.OnNS < 1e9 {
			continue
		}
		seen++
		part := func(ns int64) float64 {
			return (p.Read(0, sensors.Travel, ns).Value - b.Params.ProbeZeroMM - c.SetBeforeMM) / (c.ReleasedMM - c.SetBeforeMM)
		}
		ns := c.OnNS
		for ; p.Read(0, sensors.Released, ns).Value == 0; ns += 1e5 {
		}
		if got := part(ns); math.Abs(got-b.Params.SwitchAt) > 0.01 {
			t.Fatalf("the switch closes at %.3f of the travel, it should at %.2f", got, b.Params.SwitchAt)
		}
		for ns = c.OffNS; p.Read(0, sensors.Released, ns).Value == 1; ns += 1e5 {
		}
		if got, want := part(ns), b.Params.SwitchAt-b.Params.SwitchHysteresis; math.Abs(got-want) > 0.01 {
			t.Fatalf("the switch opens at %.3f of the travel, it should at %.2f", got, want)
		}
	}
	if seen == 0 {
		t.Error("no full cycle")
	}
}

func TestDriveContactBouncesForItsTimeOnly(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	b.Params.DriveBounceMS = 4
	list := truths(plantOf(t, b), monday().Add(10*time.Hour))
	p := plantOf(t, b)
	wrong := [2]int{}
	for _, c := range list {
		for edge, at := range [2]int64{c.OnNS, c.OffNS} {
			want := float64(1 - edge)
			for ns := at - 3e6; ns < at+20e6; ns += 1e5 {
				got := p.Read(0, sensors.Drive, ns).Value
				should := want
				if ns < at {
					should = 1 - want
				}
				if got == should {
					continue
				}
				if ns < at || ns >= at+4e6 {
					t.Fatalf("the contact reads %g %d µs after the edge to %g", got, (ns-at)/1e3, want)
				}
				wrong[edge]++
			}
		}
	}
	// Half of the 36 readings from 0.4 to 4 ms after each edge.
	for edge, n := range wrong {
		if want := 18 * len(list); n < want*8/10 || n > want*12/10 {
			t.Errorf("%d readings in the bounce after edge %d are wrong, it should be about %d", n, edge, want)
		}
	}
}

// A contact whose bounces differ bounces for anything up to its time, and a
// quarter of it reads wrong on average: half of the time, by half.
func TestBouncesDiffer(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	b.Params.DriveBounceMS, b.Params.BounceSpread = 20, 1
	list := truths(plantOf(t, b), monday().Add(10*time.Hour))
	p := plantOf(t, b)
	var wrong, short, long float64
	for _, c := range list {
		last := int64(0)
		for ns := c.OnNS; ns < c.OnNS+25e6; ns += 1e5 {
			if p.Read(0, sensors.Drive, ns).Value == 0 {
				wrong++
				last = ns - c.OnNS
			}
		}
		switch {
		case last > 20e6:
			t.Fatalf("the contact still bounces after %d µs", last/1e3)
		case last > 15e6:
			long++
		case last < 5e6:
			short++
		}
	}
	n := float64(len(list))
	if part := wrong / n / 200; math.Abs(part-0.25) > 3*0.16/math.Sqrt(n) {
		t.Errorf("it reads wrong for %.3f of its time, want 0.25", part)
	}
	if chance := 3 * math.Sqrt(n*0.25*0.75); math.Abs(short-n/4) > chance+n*0.03 || math.Abs(long-n/4) > chance+n*0.03 {
		t.Errorf("of %g edges %g bounce for less than 5 ms and %g for more than 15; want a quarter each", n, short, long)
	}
}

func TestTemperatureFollowsTheDuty(t *testing.T) {
	b := wiredBrake(0, "quay-2/main")
	b.Params.AmbientSwingK, b.Params.HeatKPerS, b.Params.StopHeatK, b.Params.CoolS = 0, 0.02, 0, 600
	b.Duty = ContinuousDuty()
	p := plantOf(t, b)
	list := truths(p, monday().Add(6*time.Hour))
	// In the long run heat in equals heat out: the mean rise is the heating
	// rate times the share of time that the drive is on, times CoolS.
	on, sum := 0.0, 0.0
	from := len(list) / 3 // long after the warming up
	for _, c := range list[from:] {
		on += float64(c.OffNS-c.OnNS) * 1e-9
		sum += c.TemperatureC
	}
	whole := float64(list[len(list)-1].OffNS-list[from].OnNS) * 1e-9
	got, want := sum/float64(len(list)-from)-b.Params.AmbientC, 0.02*600*on/whole
	if math.Abs(got-want) > 0.1*want {
		t.Errorf("the brake is %.2f K warmer than its surroundings, it should be %.2f K", got, want)
	}
}

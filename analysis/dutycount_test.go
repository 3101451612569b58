package analysis

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// IEC 60034-1, duty type S3: the cyclic duration factor is the time in operation
// over the period, ten minutes where no other is stated. Four minutes on in each
// ten are 40 %; the figures are worked by hand.
func TestDutyOfIntermittentPeriodicWork(t *testing.T) {
	var d DutyCount
	minute := int64(time.Minute)
	for i := range int64(12) { // two hours of S3 40 %
		d.Add(Run{i * 10 * minute, i*10*minute + 4*minute}, false)
	}
	near(t, "factor", d.MostFactor, 0.4, 1e-12)
	if d.Starts != 12 || d.MostStarts != 6 || d.OnNS != 48*minute || d.HoursInUse != 2 || d.PerHourInUse() != 6 || d.LongestNS != 4*minute {
		t.Errorf("%+v", d)
	}
	d.Add(Run{119 * minute, 119*minute + 10*minute}, true)
	near(t, "ten minutes on end", d.MostFactor, 1, 1e-12)
	if d.Jogs != 1 {
		t.Errorf("%d jogs", d.Jogs)
	}
}

// What is counted as it comes is what looking at every moment finds.
func TestDutyCountedAgainstEveryMoment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var runs []Run
		var d DutyCount
		at := int64(1e12)
		for range rapid.IntRange(1, 60).Draw(t, "runs") {
			at += rapid.Int64Range(1, 900).Draw(t, "rest") * 1e9
			r := Run{OnNS: at}
			at += rapid.Int64Range(1, 400).Draw(t, "on") * 1e9
			r.OffNS = at
			runs = append(runs, r)
			d.Add(r, false)
		}
		var factor float64
		starts := 0
		for ns := runs[0].OnNS; ns <= at; ns += 1e9 { // all lies on whole seconds
			factor = max(factor, CyclicDurationFactor(runs, ns, DutyWindow))
			starts = max(starts, StartsPerHour(runs, ns))
		}
		if diff := d.MostFactor - factor; diff > 1e-9 || diff < -1e-9 || d.MostStarts != starts {
			t.Fatalf("counted %v and %d, looked at %v and %d", d.MostFactor, d.MostStarts, factor, starts)
		}
	})
}

package analysis

import (
	"math"
	"testing"
	"time"
)

// usedFor runs days through a duty from a Monday on: so many cycles each, between
// six and twenty-two o'clock. The last is under way and counts but as begun.
func usedFor(days ...int) (d duty, nowNS int64) {
	for day, n := range days {
		for i := range n {
			d.add(lifeStart + int64(day)*dayNS + int64((6+16*(float64(i)+0.5)/float64(n))*float64(time.Hour)))
		}
	}
	nowNS = lifeStart + int64(len(days)-1)*dayNS
	d.passTo(nowNS / dayNS)
	return d, nowNS
}

// sameWeeks are so many of the same week, and the Monday after.
func sameWeeks(n int, week [7]int) (days []int) {
	for range n {
		days = append(days, week[:]...)
	}
	return append(days, week[0])
}

// expects fails where the cycles expected in so many days aren't within a share of
// what is wanted.
func expects(t *testing.T, d *duty, nowNS int64, days, want, share float64) {
	t.Helper()
	o := d.outlook(nowNS)
	mean, variance := o.cycles(days)
	if !o.ok || math.Abs(mean-want) > share*want || !(variance > 0) {
		t.Errorf("%.1f cycles (variance %.1f) are expected in %.0f days, want %.1f", mean, variance, days, want)
	}
}

func TestDutyKnowsTheWeek(t *testing.T) {
	d, now := usedFor(sameWeeks(6, [7]int{80, 80, 80, 80, 80, 40, 0})...)
	expects(t, &d, now, 28, 4*440, 0.04)
	expects(t, &d, now+5*dayNS, 2, 40, 0.15) // a weekend
	expects(t, &d, now, 5, 400, 0.04)
	// Where the week is another, that is known soon.
	d, now = usedFor(sameWeeks(4, [7]int{80, 80, 80, 80, 0, 0, 80})...)
	expects(t, &d, now, 28, 4*400, 0.04)
	expects(t, &d, now+4*dayNS, 2, 0.06*160, 1)
}

// A holiday says that there are holidays, and not that this day of the week will
// be one of rest, or that less is done.
func TestAHolidayIsNoHabit(t *testing.T) {
	days := sameWeeks(3, [7]int{80, 80, 80, 80, 80, 0, 0})
	days[2*7+3] = 0 // the latest Thursday
	d, now := usedFor(days...)
	o := d.outlook(now)
	if thursday, tuesday := o.week[4], o.week[2]; thursday < 0.8*tuesday {
		t.Errorf("%.1f cycles are expected on a Thursday and %.1f on a Tuesday", thursday, tuesday)
	}
	expects(t, &d, now, 28, 4*400*0.95, 0.05)
}

// After a few days it is taken for likely that a weekend comes.
func TestDutyBeforeTheFirstWeekend(t *testing.T) {
	d, now := usedFor(80, 80, 80, 80)
	o := d.outlook(now)
	if !(o.week[0] < 0.4*o.week[1] && o.week[6] < 0.7*o.week[1] && o.weekVar[6] > 500) {
		t.Errorf("cycles expected from Sunday on: %.0f ± %.0f", o.week, math.Sqrt(o.weekVar[6]))
	}
}

// A brake that is used half as much, or twice, is so from some days after.
func TestChangedDutyIsFound(t *testing.T) {
	for _, after := range []int{40, 160} {
		days := sameWeeks(6, [7]int{80, 84, 76, 82, 78, 0, 0})
		days = append(days, after, after, after, after, 0, 0, after, after, after, after, after, 0, 0, after)
		d, now := usedFor(days...)
		expects(t, &d, now, 28, 4*5*float64(after), 0.15)
	}
}

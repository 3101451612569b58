package analysis

import (
	"math"
	"time"
)

const dayNS = int64(24 * time.Hour)

// duty counts cycles a day and learns the week's pattern. Days are UTC days.
type duty struct {
	firstNS int64
	today   int64 // day number since 1970
	count   float64
	days    int
	weekday [7]weekdayUse // Sunday first
	sum     [2]dutySide
}

// weekdayUse is what was seen of one day of the week.
type weekdayUse struct {
	weeks  float64 // how many of them were seen, as far as is remembered …
	worked float64 // … and the share of these with any cycle
	mean   float64 // cycles of a day with any …
	spread float64 // … and the variance of the same …
	n      float64 // … by so many of them
}

func (d *duty) add(atNS int64) {
	day := atNS / dayNS
	if d.firstNS == 0 {
		d.firstNS, d.today = atNS, day
	}
	d.passTo(day)
	d.count++
}

// passTo closes the days before day; days without a cycle count as idle.
func (d *duty) passTo(day int64) {
	if d.firstNS == 0 {
		return
	}
	for d.today < day {
		if d.today > d.firstNS/dayNS { // the first day is but a part
			d.close()
		}
		d.count = 0
		d.today++
	}
}

func (d *duty) close() {
	const memoryWeeks = 8
	wd := weekday(d.today)
	d.changed(wd)
	d.days++
	u := &d.weekday[wd]
	u.weeks = math.Min(u.weeks+1, memoryWeeks)
	if d.count == 0 {
		u.worked -= u.worked / u.weeks
		return
	}
	u.worked += (1 - u.worked) / u.weeks
	u.n = math.Min(u.n+1, memoryWeeks)
	gain := 1 / u.n
	diff := d.count - u.mean
	u.mean += gain * diff
	u.spread += gain * (diff*diff*(1-gain) - u.spread)
}

// weekday is that of a day since 1970, Sunday being 0; 1970-01-01 was a
// Thursday.
func weekday(day int64) int64 { return (day + 4) % 7 }

// changed looks whether the brake is used otherwise than it was: a CUSUM of the
// days' cycles. An idle day alone is a holiday and says little. After a change
// the week's pattern is kept, to the new measure, and the mean soon relearned.
func (d *duty) changed(wd int64) {
	const (
		allowance = 0.5
		decision  = 8.0 // a false alarm throws away what is known: it costs as much as a change found days later
		boundSDs  = 2.5
		knownFor  = 2.5 // weeks
	)
	u := &d.weekday[wd]
	if u.n < knownFor || u.mean < 1 || d.count == 0 {
		return
	}
	variance := u.variance(d.scatter2()) * (1 + 1/u.n) // the mean is known from so many days
	z := math.Max(-boundSDs, math.Min(boundSDs, (d.count-u.mean)/math.Sqrt(variance)))
	for side := range d.sum {
		one := &d.sum[side]
		one.s = math.Max(0, one.s+z*float64(1-2*side)-allowance)
		if one.s == 0 {
			*one = dutySide{}
			continue
		}
		one.counted += d.count
		one.expected += u.mean
		one.days++
		if one.s > decision && one.days >= 4 {
			ratio := one.counted / one.expected
			for i := range d.weekday {
				w := &d.weekday[i]
				w.mean *= ratio
				w.spread *= ratio * ratio
				w.n = math.Min(w.n, 2)
			}
			d.sum = [2]dutySide{}
			return
		}
	}
}

// dutySide is one side of the watch for changed duty: what was counted and
// expected since it last stood at zero.
type dutySide struct{ s, counted, expected, days float64 }

const (
	usualScatter = 0.25 // of a day's cycles, as a part of their mean, before it was seen …
	scatterDays  = 6    // … weighing as much as so many days
	wandersAYear = 0.2  // how far the mean duty wanders in a year, as a part of itself

	usualHoliday = 0.04 // part of the days of work that are idle: some ten a year, common practice, no published source …
	holidayDays  = 50   // … weighing as much as so many days
	restWorked   = 0.03 // part of the days of rest that are worked
)

// usualWeek is how likely it is of each day of the week, Sunday first, before it
// was seen, that it is one of work, idle on holidays alone, or one of rest; what
// is left is that it is now this and now that. Common practice, no published
// source; two or three weeks of another practice outweigh it.
var usualWeek = [7]struct{ works, rests float64 }{
	{0.15, 0.70}, {0.92, 0.04}, {0.92, 0.04}, {0.92, 0.04}, {0.92, 0.04}, {0.92, 0.04}, {0.45, 0.40},
}

// scatter2 is the relative variance of the cycles of days with any: that is much
// alike on all days of the week.
func (d *duty) scatter2() float64 {
	squares, free := scatterDays*usualScatter*usualScatter, float64(scatterDays)
	for i := range d.weekday {
		if u := &d.weekday[i]; u.n > 0 {
			squares += u.n * u.spread / (u.mean * u.mean)
			free += u.n - 1
		}
	}
	return squares / free
}

// variance is that of the cycles of a day with any. Counts scatter at least like
// Poisson's.
func (u *weekdayUse) variance(scatter2 float64) float64 {
	v := (u.n*u.spread + scatterDays*scatter2*u.mean*u.mean) / (u.n - 1 + scatterDays)
	return math.Max(v, u.mean)
}

// kinds are the odds that a day of the week is one of work, of rest, or neither,
// by how often it was worked on.
func (u *weekdayUse) kinds(wd int, holiday float64) (work, rest, either float64) {
	usual := usualWeek[wd]
	k, idle := u.weeks*u.worked, u.weeks*(1-u.worked)
	work = usual.works * math.Pow(1-holiday, k) * math.Pow(holiday, idle)
	rest = usual.rests * math.Pow(restWorked, k) * math.Pow(1-restWorked, idle)
	// Any part of them, one as likely as another: the beta function.
	a, _ := math.Lgamma(k + 1)
	b, _ := math.Lgamma(idle + 1)
	ab, _ := math.Lgamma(u.weeks + 2)
	either = (1 - usual.works - usual.rests) * math.Exp(a+b-ab)
	sum := work + rest + either
	return work / sum, rest / sum, either / sum
}

// holiday is the part of the days of work that are idle.
func (d *duty) holiday() float64 {
	idle, days := usualHoliday*holidayDays, float64(holidayDays)
	for i := range d.weekday {
		u := &d.weekday[i]
		work, _, _ := u.kinds(i, usualHoliday)
		days += work * u.weeks
		idle += work * u.weeks * (1 - u.worked)
	}
	return idle / days
}

// used is how likely it is that a day of the week has any cycle, and the variance
// of that.
func (u *weekdayUse) used(wd int, holiday float64) (share, variance float64) {
	work, rest, either := u.kinds(wd, holiday)
	k := u.weeks * u.worked
	s := (k + 1) / (u.weeks + 2)
	share = work*(1-holiday) + rest*restWorked + either*s
	square := work*(1-holiday)*(1-holiday) + rest*restWorked*restWorked + either*s*(k+2)/(u.weeks+3)
	return share, math.Max(square-share*share, 0)
}

// duty's outlook: cycles expected from a moment on, summed over days.
type outlook struct {
	fromNS   int64
	week     [7]float64
	weekVar  [7]float64
	weekSum  float64
	weekVarS float64
	meanU2   float64 // relative variance of the mean duty itself
	ok       bool
}

func (d *duty) outlook(nowNS int64) outlook {
	o := outlook{fromNS: nowNS}
	if d.days < 1 {
		// Less than a day: the rate so far, if an hour of it was seen.
		span := nowNS - d.firstNS
		if d.firstNS == 0 || span < int64(time.Hour) || d.count < 10 {
			return o
		}
		perDay := d.count / (float64(span) / float64(dayNS))
		for i := range o.week {
			o.week[i], o.weekVar[i] = perDay, perDay*perDay/4
		}
		o.meanU2 = 0.25
	} else {
		o.meanU2 = d.week(&o)
	}
	for i := range o.week {
		o.weekSum += o.week[i]
		o.weekVarS += o.weekVar[i]
	}
	o.ok = o.weekSum > 0
	return o
}

// week fills in what is expected of each weekday, and returns how well their sum
// is known, as a relative variance.
func (d *duty) week(o *outlook) (u2 float64) {
	var seen, n float64
	for i := range d.weekday {
		if u := &d.weekday[i]; u.n > 0 {
			seen += u.mean
			n++
		}
	}
	if n == 0 {
		return 0
	}
	holiday, scatter2 := d.holiday(), d.scatter2()
	var sum, variance float64
	for i := range o.week {
		u := d.weekday[i]
		share, shareU2 := u.used(i, holiday)
		known := u.n
		if u.n == 0 { // like the others, if it is worked on
			u.mean, known = seen/n, 0.5
			u.spread = scatter2 * u.mean * u.mean
		}
		v := u.variance(scatter2)
		o.week[i] = share * u.mean
		o.weekVar[i] = share*(v+u.mean*u.mean) - o.week[i]*o.week[i]
		sum += o.week[i]
		variance += share*share*v/known + shareU2*u.mean*u.mean
	}
	return variance / math.Max(sum*sum, 1e-12)
}

// cycles is the number expected in so many days from now, and its variance.
func (o *outlook) cycles(days float64) (mean, variance float64) {
	weeks := math.Floor(days / 7)
	mean, variance = weeks*o.weekSum, weeks*o.weekVarS
	at := float64(o.fromNS)/float64(dayNS) + weeks*7
	for left := days - weeks*7; left > 1e-9; {
		day := math.Floor(at)
		part := math.Min(left, day+1-at)
		if part <= 1e-9 {
			at = day + 1
			continue
		}
		wd := weekday(int64(day))
		mean += part * o.week[wd]
		variance += part * o.weekVar[wd]
		at += part
		left -= part
	}
	wandered := wandersAYear * wandersAYear * days / 365 / 3 // mean over the days of a walk
	return mean, variance + (o.meanU2+wandered)*mean*mean
}

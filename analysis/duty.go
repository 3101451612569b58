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
	mean    [7]float64 // cycles a day by weekday, Sunday first
	spread  [7]float64 // variance of the same
	weeks   [7]float64 // how many days the mean rests on
	sum     [2]dutySide
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
	d.weeks[wd] = math.Min(d.weeks[wd]+1, memoryWeeks)
	gain := 1 / d.weeks[wd]
	diff := d.count - d.mean[wd]
	d.mean[wd] += gain * diff
	d.spread[wd] += gain * (diff*diff*(1-gain) - d.spread[wd])
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
		decision  = 6.0 // one false alarm in some years; it costs little
		boundSDs  = 2.5
		knownFor  = 2.5 // weeks
	)
	mean, variance := d.perDay(wd)
	if d.weeks[wd] < knownFor || mean < 1 || d.count == 0 {
		return
	}
	variance *= 1 + 1/d.weeks[wd] // the mean is known from so many days
	z := math.Max(-boundSDs, math.Min(boundSDs, (d.count-mean)/math.Sqrt(variance)))
	for side := range d.sum {
		one := &d.sum[side]
		one.s = math.Max(0, one.s+z*float64(1-2*side)-allowance)
		if one.s == 0 {
			*one = dutySide{}
			continue
		}
		one.counted += d.count
		one.expected += mean
		one.days++
		if one.s > decision && one.days >= 4 {
			ratio := one.counted / one.expected
			for i := range d.mean {
				d.mean[i] *= ratio
				d.spread[i] *= ratio * ratio
				d.weeks[i] = math.Min(d.weeks[i], 2)
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
	scatterDays  = 3    // … weighing as much as so many days
	wandersAYear = 0.2  // how far the mean duty wanders in a year, as a part of itself
)

// perDay is the mean and variance of the cycles on a weekday. A weekday not
// yet seen takes those of the days that were.
func (d *duty) perDay(wd int64) (mean, variance float64) {
	var sum, squares, n, free float64
	for i := range d.mean {
		if d.weeks[i] > 0 {
			sum += d.mean[i]
			squares += d.weeks[i] * d.spread[i]
			n++
			free += d.weeks[i] - 1
		}
	}
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	all := sum / n
	w := d.weeks[wd]
	if w == 0 {
		// It may be one of rest.
		return all, all*all/4 + all
	}
	// The days' scatter, as a part of what is usual, is much alike. Counts scatter
	// at least like Poisson's.
	usual := (squares + scatterDays*math.Pow(usualScatter*all, 2)) / (free + scatterDays) / math.Max(all*all, 1e-12)
	mean = d.mean[wd]
	variance = (w*d.spread[wd] + scatterDays*usual*mean*mean) / (w - 1 + scatterDays)
	return mean, math.Max(variance, mean)
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
		// How well the week's mean is known, weekdays of which nothing was seen
		// counting as half seen.
		var sum, variance float64
		for i := range o.week {
			o.week[i], o.weekVar[i] = d.perDay(int64(i))
			sum += o.week[i]
			variance += o.weekVar[i] / math.Max(d.weeks[i], 0.5)
		}
		o.meanU2 = variance / math.Max(sum*sum, 1e-12)
	}
	for i := range o.week {
		o.weekSum += o.week[i]
		o.weekVarS += o.weekVar[i]
	}
	o.ok = o.weekSum > 0
	return o
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

package analysis

import "time"

// DutyCount counts a drive's runs over a span of time for its record: starts an
// hour and the cyclic duration factor, at their highest. The runs are added in
// the order of time and don't overlap; those of the last hour are held.
type DutyCount struct {
	Starts        int
	Jogs          int
	OnNS          int64   // total time that the drive ran
	MostStarts    int     // in any hour
	MostFactor    float64 // cyclic duration factor, highest of any window of ten minutes, 0 to 1
	LongestNS     int64   // longest single run
	HoursInUse    int     // hours of the clock, UTC, in which the drive was started
	FirstNS       int64
	LastNS        int64
	latest        []Run
	latestHour    int64
	anyHourBefore bool
}

// Add takes a run that is over.
func (d *DutyCount) Add(r Run, jog bool) {
	if d.Starts == 0 {
		d.FirstNS = r.OnNS
	}
	d.Starts++
	if jog {
		d.Jogs++
	}
	d.LastNS = r.OnNS
	d.OnNS += max(r.OffNS-r.OnNS, 0)
	d.LongestNS = max(d.LongestNS, r.OffNS-r.OnNS)
	if hour := r.OnNS / int64(time.Hour); !d.anyHourBefore || hour != d.latestHour {
		d.HoursInUse++
		d.latestHour, d.anyHourBefore = hour, true
	}
	d.latest = append(d.latest, r)
	// Only what can still lie in an hour or a window that ends now counts.
	drop := 0
	for drop < len(d.latest) && d.latest[drop].OnNS <= r.OnNS-int64(time.Hour) && d.latest[drop].OffNS <= r.OffNS-int64(DutyWindow) {
		drop++
	}
	d.latest = d.latest[drop:]
	d.MostStarts = max(d.MostStarts, StartsPerHour(d.latest, r.OnNS))
	// The share is highest where a run ends.
	d.MostFactor = max(d.MostFactor, CyclicDurationFactor(d.latest, r.OffNS, DutyWindow))
}

// PerHourInUse is the mean number of starts in an hour of the clock that had
// any; 0 of none.
func (d *DutyCount) PerHourInUse() float64 {
	if d.HoursInUse == 0 {
		return 0
	}
	return float64(d.Starts) / float64(d.HoursInUse)
}

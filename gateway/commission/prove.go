package commission

import (
	"gapward/alerts"
	"gapward/configs"
)

// prove judges what was seen. want is how many full cycles each brake should
// have had.
func prove(site *configs.Site, e evidence, want int) Report {
	brakes := views(site, e)
	at := map[place]int{}
	for i, c := range e.channels {
		at[place{c.Brake, c.Signal}] = i
	}
	for _, b := range brakes {
		for _, v := range b.channels() {
			if i := at[place{v.c.Brake, v.c.Signal}]; !v.c.Signal.Measured() {
				v.answering(e, i)
				v.stamped(e.stamps[i])
			}
		}
		b.travelAlone() // of all brakes before any are compared
	}
	for _, b := range brakes {
		b.signals(e)
	}
	r := Report{Site: site.Name, SiteFile: site.File(), SiteHash: site.Hash(), Cautions: alerts.Cautions()}
	for _, b := range brakes {
		b.gapChecks()
		b.temperature()
		b.measuredTimes(e, func(v *view) int { return at[place{v.c.Brake, v.c.Signal}] })
		b.cycleChecks(e, want)
		for _, v := range b.channels() {
			b.report.Channels = append(b.report.Channels, *v.report)
		}
		r.Brakes = append(r.Brakes, b.report)
	}
	r.tally()
	return r
}

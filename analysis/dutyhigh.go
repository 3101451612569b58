package analysis

import "slices"

// DutyLimits are what the hoist's maker lets it bear, of duty type S3 of IEC
// 60034-1. Zero switches a limit off.
type DutyLimits struct {
	StartsPerHour         int     `yaml:"starts_per_hour"`
	CyclicDurationPercent float64 `yaml:"cyclic_duration_percent"` // within ten minutes
}

func (l DutyLimits) any() bool { return l.StartsPerHour > 0 || l.CyclicDurationPercent > 0 }

// watched is the latest hour's runs of a drive whose duty has limits.
type watched struct {
	runs   []Run
	high   bool  // told
	lookNS int64 // while it is: when to look again
}

const (
	mostRuns   = 4000   // more than one a second: beyond any limit
	dutyLookNS = 60e9   // a hoist that rests is looked at so often
	hourNS     = 3600e9 // runs are kept for
)

// ran takes a run of the drive and looks whether the duty is too high. It goes
// by the end of the run and not by when that was learned of, so that a recalled
// cycle says the same.
func (b *Brake) ran(c Cycle, nowNS int64, out *Out) {
	if !b.set.Duty.any() {
		return
	}
	w := &b.watched
	endNS := c.AtNS + c.OnNS
	w.runs = append(w.runs, Run{OnNS: c.AtNS, OffNS: endNS})
	old := max(len(w.runs)-mostRuns, 0)
	for old < len(w.runs) && w.runs[old].OffNS < endNS-hourNS {
		old++
	}
	w.runs = slices.Delete(w.runs, 0, old)
	b.judgeDuty(endNS, nowNS, out)
}

// judgeDuty finds duty-high, by the starts of the last hour and the share of
// the last ten minutes in which the drive ran: the one further beyond its limit.
func (b *Brake) judgeDuty(atNS, nowNS int64, out *Out) {
	l, w := b.set.Duty, &b.watched
	starts := float64(StartsPerHour(w.runs, atNS))
	percent := 100 * CyclicDurationFactor(w.runs, atNS, DutyWindow)
	f := Finding{AtNS: nowNS, Condition: DutyHigh, U: NoValue()}
	if most := float64(l.StartsPerHour); most > 0 {
		f.Excess, f.Value, f.Limit, f.Unit = starts-most, starts, most, "starts/h"
	}
	if most := l.CyclicDurationPercent; most > 0 && (f.Limit == 0 || percent/most > f.Value/f.Limit) {
		f.Excess, f.Value, f.Limit, f.Unit = percent-most, percent, most, "%"
	}
	w.high = f.Excess > 0
	w.lookNS = nowNS + dutyLookNS
	b.wakeNS = min(b.wakeNS, b.dutyWakeNS())
	out.Findings = append(out.Findings, f)
}

// passDuty looks at the duty of a hoist that rests, whose alarm would else stand
// until its next start.
func (b *Brake) passDuty(out *Out) {
	if b.watched.high && b.nowNS >= b.watched.lookNS {
		b.judgeDuty(b.nowNS, b.nowNS, out)
	}
}

// dutyWakeNS is when that is due.
func (b *Brake) dutyWakeNS() int64 {
	if !b.watched.high {
		return never64
	}
	return b.watched.lookNS
}

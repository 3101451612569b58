package page

import (
	"cmp"
	"math"
	"slices"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// level is how a state is shown: its colour after IEC 60073 and the shape that
// says the same to those who don't see the colour.
type level string

const (
	danger   level = "danger"   // red, octagon: failure
	abnormal level = "abnormal" // yellow, triangle
	notice   level = "notice"   // no colour, square: something to plan for
	unknown  level = "unknown"  // no colour, broken ring
	normal   level = "normal"   // no colour, ring
)

// standing is one brake with all that is known of it, and where that puts it
// among the others.
type standing struct {
	brake    *Brake
	verdict  analysis.Verdict
	judged   bool // verdict is there
	adjust   analysis.Forecast
	max      analysis.Forecast
	foretold map[string]bool  // by limit
	alarms   []store.AlarmRow // not normal, the most urgent first
	held     []store.AlarmRow // held back from people

	rank     int     // 0 is the worst
	nearness float64 // how far from the adjusting limit, in parts of the way from target; NaN where unknown
	word     string  // the worst of it in a word or two
	level    level
}

// headline is a condition in a word or two, for reading from afar.
func headline(c analysis.Condition) (word string, l level) {
	switch c {
	case analysis.NotReleased:
		return "Not released", danger
	case analysis.NotSet:
		return "Not set", danger
	case analysis.GapMax:
		return "Stop using", danger
	case analysis.GapLow:
		return "Too narrow", abnormal
	case analysis.GapAdjust:
		return "Adjust", abnormal
	case analysis.SignalsDisagree:
		return "Signals disagree", abnormal
	case analysis.SignalFault:
		return "Signal faulty", abnormal
	case analysis.SignalStale:
		return "Signal silent", abnormal
	case analysis.SlowRelease:
		return "Slow to release", abnormal
	case analysis.SlowSet:
		return "Slow to set", abnormal
	case analysis.GapStep:
		return "Gap stepped", abnormal
	case analysis.LiningSpent:
		return "Lining used up", abnormal
	case analysis.DutyHigh:
		return "Duty high", abnormal
	case analysis.ForecastDue:
		return "Adjust soon", notice
	case analysis.GatewayFault:
		return "Gateway fault", abnormal
	case alerts.DeviceSilent:
		return "Device silent", abnormal
	case alerts.UrgentFlood:
		return "Many failures", danger
	case alerts.AlarmFlood:
		return "Many alarms", abnormal
	}
	return string(c), abnormal
}

// ofState is the condition that means the same as a state, "" where none does.
func ofState(s analysis.State) analysis.Condition {
	switch s {
	case analysis.StopUsing:
		return analysis.GapMax
	case analysis.TooNarrow:
		return analysis.GapLow
	case analysis.AdjustDue:
		return analysis.GapAdjust
	}
	return ""
}

// The ranks, the worst first. Within one of them the nearer to the adjusting
// limit comes first.
const (
	rankUrgent  = iota // not released, not set or at its maximum, and nobody has acknowledged it
	rankFailed         // the same, acknowledged; or found at its maximum without an alarm
	rankNarrow         // may drag
	rankAdjust         // adjustment is due
	rankOther          // any other alarm
	rankPlan           // forecast-due only
	rankGone           // what was there is gone, but nobody has acknowledged it
	rankUnknown        // no gap
	rankNormal
)

func rankOf(c analysis.Condition, acknowledged bool) int {
	switch c {
	case analysis.NotReleased, analysis.NotSet, analysis.GapMax:
		if acknowledged {
			return rankFailed
		}
		return rankUrgent
	case analysis.GapLow:
		return rankNarrow
	case analysis.GapAdjust:
		return rankAdjust
	case analysis.ForecastDue:
		return rankPlan
	}
	return rankOther
}

// judge fills in where the brake stands from its verdict and alarms.
func (s *standing) judge() {
	slices.SortStableFunc(s.alarms, func(a, b store.AlarmRow) int {
		return cmp.Or(
			-cmp.Compare(active(a), active(b)),
			cmp.Compare(alerts.Urgency(a.Condition), alerts.Urgency(b.Condition)),
			cmp.Compare(a.SinceNS, b.SinceNS))
	})
	s.rank, s.word, s.level = rankNormal, "In limits", normal
	if !s.judged || s.verdict.State == analysis.Unknown {
		s.rank, s.word, s.level = rankUnknown, "Not measured", unknown
	}
	take := func(rank int, word string, l level) {
		if rank < s.rank {
			s.rank, s.word, s.level = rank, word, l
		}
	}
	if c := ofState(s.verdict.State); s.judged && c != "" {
		word, l := headline(c)
		take(rankOf(c, true), word, l)
	}
	for _, a := range s.alarms {
		word, l := headline(a.Condition)
		if a.State.Active() {
			take(rankOf(a.Condition, a.State == alerts.Acknowledged), word, l)
			continue
		}
		take(rankGone, "To acknowledge", notice)
	}
	s.nearness = math.NaN()
	if l := s.brake.Limits; s.hasGap() && l.AdjustMM > l.TargetMM {
		s.nearness = (l.AdjustMM - s.verdict.GapMM - guard(s.verdict.GapUMM)) / (l.AdjustMM - l.TargetMM)
	}
}

func (s *standing) hasGap() bool { return s.judged && analysis.Has(s.verdict.GapMM) }

// guard is what is added to a gap before it is held against a limit, ISO
// 14253-1 with one-sided 95 %.
func guard(u float64) float64 {
	if !analysis.Has(u) {
		return 0
	}
	return analysis.GuardFactor * u
}

func active(a store.AlarmRow) int {
	if a.State.Active() {
		return 1
	}
	return 0
}

// sortWorstFirst orders the brakes for the board. Equals keep the order of the
// site file.
func sortWorstFirst(all []standing) {
	slices.SortStableFunc(all, func(a, b standing) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), compareNearness(a.nearness, b.nearness))
	})
}

// compareNearness puts the missing last.
func compareNearness(a, b float64) int {
	switch {
	case math.IsNaN(a) && math.IsNaN(b):
		return 0
	case math.IsNaN(a):
		return 1
	case math.IsNaN(b):
		return -1
	}
	return cmp.Compare(a, b)
}

package analysis

import "math"

// record is what is known of a brake over its cycles.
type record struct {
	wear    wear
	duty    duty
	release smooth
	setTime smooth
	verdict Verdict
	latest  Forecast
	// cycles since the latest forecast was worked out, and when to do it again
	sinceForecast int64
	forecastAfter int64
	changes       changes
	stepAgo       int64 // full cycles since a sudden change of the gap; 0 none stands
	work          work
	watched       watched

	hand         *handRecord // nil for a brake with a travel probe
	use          LiningUse
	ledgered     bool // use has been told
	latestLining Forecast
}

// smooth is an exponentially weighted mean of times with its standard
// uncertainty: alarms act on it and never on one unlucky poll.
type smooth struct {
	mean, variance float64
	n              float64
	stated         float64 // mean square of the cycles' own uncertainties
	nStated        float64
}

const (
	smoothOver = 12 // cycles
	// What the cycles state of themselves counts as so many of them: two or three
	// that happen to agree are no evidence of being surer than each says it is.
	statedCounts = 6
)

func (s *smooth) add(v, u float64) {
	if !Has(v) {
		return
	}
	s.n = math.Min(s.n+1, smoothOver)
	gain := 1 / s.n
	d := v - s.mean
	if s.n >= 5 { // one unlucky reading doesn't carry it away, nor one that tells next to nothing
		u = math.Min(u, 4*math.Sqrt(math.Max(s.variance, s.stated)+1e-6))
		bound := 4 * math.Sqrt(s.variance+1e-6)
		d = math.Max(-bound, math.Min(bound, d))
	}
	if Has(u) {
		s.nStated = math.Min(s.nStated+1, smoothOver)
		s.stated += (u*u - s.stated) / s.nStated
	}
	s.mean += gain * d
	s.variance = (1 - gain) * (s.variance + gain*d*d)
}

func (s *smooth) value() (mean, u float64) {
	if s.n == 0 {
		return NoValue(), NoValue()
	}
	squares, freedom := s.variance*s.n, s.n-1
	if s.nStated > 0 {
		squares, freedom = squares+statedCounts*s.stated, freedom+statedCounts
	}
	if freedom < 1 {
		return s.mean, NoValue()
	}
	return s.mean, math.Sqrt(squares / freedom / s.n)
}

func newRecord(s Settings) record {
	var hand *handRecord
	if !s.Travel.Present {
		hand = &handRecord{}
	}
	charts := s.Charts
	if charts == nil {
		charts = NewCharts()
	}
	return record{hand: hand, wear: newWear(s.Limits, s.Family, charts), changes: newChanges(charts), verdict: Verdict{Change: Change{MM: NoValue(), S: NoValue()}, GapMM: NoValue(), GapUMM: NoValue(),
		ReleaseS: NoValue(), ReleaseUS: NoValue(), SetS: NoValue(), SetUS: NoValue()}}
}

// Recall takes an already measured cycle: from the store at a restart, or from
// a recording of cycles. The very same happens as after measuring it.
func (b *Brake) Recall(c Cycle, out *Out) {
	b.nowNS = max(b.nowNS, c.AtNS)
	b.learn(c, b.nowNS, out)
}

// learn folds a cycle into what is known, and judges.
func (b *Brake) learn(c Cycle, nowNS int64, out *Out) {
	v := &b.verdict
	v.AtNS = c.AtNS
	b.duty.add(c.AtNS)
	b.ran(c, nowNS, out)
	if c.Kind == Full {
		v.Full++
	} else {
		v.Jogs++
	}
	b.sinceForecast++
	var step, fromMM, fromU float64
	var renewed EntryKind
	if !Has(c.GapMM) {
		b.wear.jog()
		if b.hand != nil {
			b.hand.count(c.AtNS)
		}
	} else {
		fromMM, fromU, renewed = v.GapMM, v.GapUMM, b.wear.renewed
		step = b.stepped(c, nowNS, out)
		v.GapMM = b.wear.gap
		v.GapUMM = math.Hypot(b.wear.u(), b.set.Travel.CalibrationU)
		v.State = b.set.Limits.judge(v.GapMM, v.GapUMM)
		b.gapFindings(nowNS, out)
	}
	b.changes.add(c, v.GapMM, step, &b.set)
	if renewed != "" {
		b.changes.began(renewed, c.AtNS, step)
	}
	v.Change = b.changes.latest
	if Has(c.GapMM) {
		b.watchWork(c, step, renewed, fromMM, fromU, nowNS, out)
	}
	b.release.add(c.ReleaseS, c.ReleaseUS)
	b.setTime.add(c.SetS, c.SetUS)
	v.ReleaseS, v.ReleaseUS = b.release.value()
	v.SetS, v.SetUS = b.setTime.value()
	b.timeFindings(c, nowNS, out)
	if c.Flags&FlagDisagree == 0 && c.Kind == Full {
		out.Findings = append(out.Findings, Finding{AtNS: nowNS, Condition: SignalsDisagree, Excess: -1, Value: NoValue(), U: NoValue(), Limit: NoValue()})
	}
	if b.hand != nil && b.hand.known && !b.wear.set {
		b.judgeByHand(c.AtNS, out)
	} else {
		out.Verdicts = append(out.Verdicts, *v)
	}
	if b.sinceForecast >= b.forecastAfter {
		b.refresh(c.AtNS, nowNS, out)
	}
}

// stepped feeds the wear filter and tells of sudden changes. A brake that was
// adjusted is told as well: it is for people to say that they did it.
func (b *Brake) stepped(c Cycle, nowNS int64, out *Out) (stepMM float64) {
	expected := b.wear.renewed != ""
	step := b.wear.add(c.GapMM, c.GapUMM)
	f := Finding{AtNS: nowNS, Condition: GapStep, Value: step, U: NoValue(), Limit: NoValue(), Unit: "mm"}
	const told = 20 // full cycles at the new level
	switch {
	case step != 0:
		b.forecastAfter = 0
		if expected || math.Abs(step)+2*b.wear.u() < leastStepMM {
			break
		}
		b.stepAgo = 1
		f.Excess = math.Abs(step)
		out.Findings = append(out.Findings, f)
	case b.stepAgo > 0:
		if b.stepAgo++; b.stepAgo > told {
			b.stepAgo = 0
			f.Excess, f.Value = -1, NoValue()
			out.Findings = append(out.Findings, f)
		}
	}
	return step
}

// leastStepMM is a change of the gap that somebody should look at. A very quiet
// probe shows smaller ones, which the wear filter follows; nothing is done
// about a hundredth of a millimetre. One that may be as large is told.
const leastStepMM = 0.010

// GuardFactor is the one-sided factor for 95 % (ISO 14253-1): a limit is met only
// when that is proven.
const GuardFactor = 1.645

// judge is where a gap with standard uncertainty u stands.
func (l Limits) judge(gapMM, u float64) State {
	switch {
	case !Has(gapMM):
		return Unknown
	case gapMM+GuardFactor*u >= l.MaxMM:
		return StopUsing
	case gapMM-GuardFactor*u <= l.MinMM:
		return TooNarrow
	case gapMM+GuardFactor*u >= l.AdjustMM:
		return AdjustDue
	}
	return InLimits
}

func (b *Brake) gapFindings(nowNS int64, out *Out) {
	v, l := &b.verdict, b.set.Limits
	high, low := v.GapMM+GuardFactor*v.GapUMM, v.GapMM-GuardFactor*v.GapUMM
	for _, f := range []Finding{
		{Condition: GapMax, Excess: high - l.MaxMM, Limit: l.MaxMM},
		{Condition: GapAdjust, Excess: high - l.AdjustMM, Limit: l.AdjustMM},
		{Condition: GapLow, Excess: l.MinMM - low, Limit: l.MinMM},
	} {
		f.AtNS, f.Value, f.U, f.Unit = nowNS, v.GapMM, v.GapUMM, "mm"
		out.Findings = append(out.Findings, f)
	}
}

func (b *Brake) timeFindings(c Cycle, nowNS int64, out *Out) {
	const enough = 5 // cycles
	t := b.set.Timing
	if Has(c.ReleaseS) && t.Release > 0 && b.release.n >= enough {
		out.Findings = append(out.Findings, Finding{AtNS: nowNS, Condition: SlowRelease, Excess: b.release.mean - t.Release.Seconds(),
			Value: b.verdict.ReleaseS, U: b.verdict.ReleaseUS, Limit: t.Release.Seconds(), Unit: "s"})
	}
	if Has(c.SetS) && t.Set > 0 && b.setTime.n >= enough {
		out.Findings = append(out.Findings, Finding{AtNS: nowNS, Condition: SlowSet, Excess: b.setTime.mean - t.Set.Seconds(),
			Value: b.verdict.SetS, U: b.verdict.SetUS, Limit: t.Set.Seconds(), Unit: "s"})
	}
}

// refresh works the forecast out anew and tells of it when it has changed
// materially.
func (b *Brake) refresh(cycleNS, nowNS int64, out *Out) {
	switch {
	case b.wear.set:
		b.wear.share()
		if b.changes.latest.Kind == Adjusted && b.wear.bank.relined() {
			b.changes.relined()
		}
	case b.hand == nil || !b.hand.known:
		return
	}
	f := b.forecastOf("adjust", b.set.Limits.AdjustMM, cycleNS)
	b.sinceForecast = 0
	b.forecastAfter = refreshAfter(f)
	if lead := b.set.Forecast.LeadDays; lead > 0 && Has(f.DateNS.P50) {
		days := (f.DateNS.P50 - float64(cycleNS)) / float64(dayNS)
		out.Findings = append(out.Findings, Finding{AtNS: nowNS, Condition: ForecastDue, Excess: float64(lead) - days,
			Value: days, U: NoValue(), Limit: float64(lead), Unit: "d"})
	}
	if b.latest.materially(f) {
		b.latest = f
		out.Forecasts = append(out.Forecasts, f)
	}
	b.liningOutlook(cycleNS, nowNS, out)
}

// forecastOf is when the gap reaches a limit, by the probe or by hand.
func (b *Brake) forecastOf(name string, limitMM float64, nowNS int64) Forecast {
	if !b.wear.set {
		return b.forecastByHand(name, limitMM, nowNS)
	}
	f := b.wear.forecast(name, limitMM, nowNS, &b.duty)
	f.GapUMM = math.Hypot(f.GapUMM, b.set.Travel.CalibrationU)
	return f
}

// refreshAfter is after how many cycles a forecast is worked out anew: a
// hundredth of what is left.
func refreshAfter(f Forecast) int64 {
	left := f.Cycles.P50
	if !Has(left) {
		left = f.Cycles.P05
	}
	switch {
	case !Has(left):
		return 5
	case left <= 1: // the limit is reached, or there is no telling that it isn't
		return 50
	}
	return int64(math.Max(5, math.Min(left/100, 1000)))
}

// final tells the forecast as it stands at the end of a recording, or of the
// daemon. It changes nothing of what is known: a restart goes on as if it had
// not been told.
func (b *Brake) final(out *Out) {
	if !b.wear.set && (b.hand == nil || !b.hand.known) {
		return
	}
	f := b.forecastOf("adjust", b.set.Limits.AdjustMM, b.verdict.AtNS)
	out.Forecasts = append(out.Forecasts, f)
}

// materially reports whether g says something else than f: a quantile moved by
// a tenth of the band or came or went, or the gap by its uncertainty.
func (f Forecast) materially(g Forecast) bool {
	if Has(f.Cycles.P05) != Has(g.Cycles.P05) || Has(f.Cycles.P50) != Has(g.Cycles.P50) || Has(f.Cycles.P95) != Has(g.Cycles.P95) ||
		Has(f.DateNS.P05) != Has(g.DateNS.P05) || Has(f.DateNS.P50) != Has(g.DateNS.P50) {
		return true
	}
	if f.AtNS == 0 || math.Abs(f.GapMM-g.GapMM) > math.Max(g.GapUMM, 0.001) {
		return true
	}
	// What was forecast shrinks by itself as cycles go by: compare what it
	// says of the total.
	differs := func(a, b, of float64) bool { return Has(a) && Has(b) && math.Abs(a-b) > 0.03*of }
	return differs(f.Cycles.P50, g.Cycles.P50, math.Max(g.Cycles.P50, 20)) || differs(f.Cycles.P05, g.Cycles.P05, math.Max(g.Cycles.P05, 20)) ||
		differs(f.Cycles.P95, g.Cycles.P95, math.Max(g.Cycles.P95, 20))
}

// Verdict is what is known of the brake now.
func (b *Brake) Verdict() Verdict { return b.verdict }

// Latest is the latest forecast told.
func (b *Brake) Latest() Forecast { return b.latest }

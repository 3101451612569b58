package analysis

import (
	"math"
	"slices"
)

// handRecord is what a brake without a travel probe knows from its ledger.
type handRecord struct {
	byHand
	entries []Entry
	// the latest cycles' times, the oldest first: the work at a reading is how
	// many came after it. A restart brings back at least as many.
	cyclesNS []int64
	judgedNS int64
}

const (
	keptCycleTimes = 16_000
	// a gap followed by time alone is looked at anew so often
	judgeByTimeNS = dayNS
)

// count takes note of a cycle.
func (h *handRecord) count(atNS int64) {
	if len(h.cyclesNS) >= 2*keptCycleTimes {
		h.cyclesNS = slices.Delete(h.cyclesNS, 0, len(h.cyclesNS)-keptCycleTimes)
	}
	h.cyclesNS = append(h.cyclesNS, atNS)
	h.toNow++
}

// workAt is the work at a time, less that at nowNS. Before the first of the
// cycles that are kept, it went on as it did on the average since.
func (h *handRecord) workAt(atNS, nowNS int64, counted bool) float64 {
	if !counted {
		return float64(atNS-nowNS) / float64(dayNS)
	}
	kept := h.cyclesNS[max(len(h.cyclesNS)-keptCycleTimes, 0):]
	i, _ := slices.BinarySearch(kept, atNS+1)
	work := float64(i - len(kept))
	if i > 0 || len(kept) < 2 {
		return work
	}
	span := kept[len(kept)-1] - kept[0]
	return work - float64(kept[0]-atNS)*float64(len(kept)-1)/math.Max(float64(span), 1)
}

// counted reports whether the brake's cycles are counted, by its drive.
func (b *Brake) counted() bool { return b.driven }

// TakeLedger takes all entries of the brake's ledger as they stand at nowNS: at a
// restart once the stored cycles are recalled, and again whenever one was
// entered. From then on the brake knows what its lining has left; and a brake
// without a travel probe has its gap, verdict and forecast from the readings by
// hand among them. The same ledger after the same cycles gives the same, however
// often it was given before.
func (b *Brake) TakeLedger(entries []Entry, nowNS int64, out *Out) {
	b.nowNS = max(b.nowNS, nowNS)
	b.use, b.ledgered = UseOf(entries), true
	b.forecastAfter = 0
	if b.hand != nil && !b.wear.set {
		b.hand.entries = entries
		b.readByHand(nowNS)
		b.judgeByHand(nowNS, out)
	}
	b.refresh(nowNS, nowNS, out)
	b.setWake()
}

// readByHand works out anew what the ledger says of the gap.
func (b *Brake) readByHand(nowNS int64) {
	h := b.hand
	prior := lognormal{math.Log(b.wear.way / handWayDays), handDaysSpread}
	if b.counted() {
		prior = b.wear.bank.prior().rate
	}
	events := eventsOf(h.entries, &b.set, func(atNS int64) float64 { return h.workAt(atNS, nowNS, b.counted()) })
	h.byHand = followByHand(events, prior, b.wear.way)
	h.toNow = -h.at
}

// judgeByHand judges a brake by what its ledger says of the gap.
func (b *Brake) judgeByHand(nowNS int64, out *Out) {
	h, v := b.hand, &b.verdict
	if h == nil || b.wear.set {
		return
	}
	h.judgedNS = nowNS
	if !h.known {
		if Has(v.GapMM) { // it was known once
			v.AtNS, v.GapMM, v.GapUMM, v.State = nowNS, NoValue(), NoValue(), Unknown
			out.Verdicts = append(out.Verdicts, *v)
		}
		return
	}
	if !b.counted() {
		h.toNow = math.Max(0, float64(nowNS-b.handLatestNS())/float64(dayNS))
	}
	v.AtNS = nowNS
	v.GapMM, v.GapUMM = h.gap()
	v.State = b.set.Limits.judge(v.GapMM, v.GapUMM)
	b.gapFindings(nowNS, out)
	out.Verdicts = append(out.Verdicts, *v)
}

// handLatestNS is the time of the latest entry that bears on the gap.
func (b *Brake) handLatestNS() (ns int64) {
	for _, e := range Standing(b.hand.entries) {
		if e.Kind == Reading || e.Kind == Adjustment || e.Kind == LiningFitted {
			ns = e.AtNS
		}
	}
	return ns
}

// passByHand judges anew a gap that is followed by time alone, once a day.
func (b *Brake) passByHand(out *Out) {
	if b.hand == nil || !b.hand.known || b.counted() || b.wear.set || b.nowNS < b.hand.judgedNS+judgeByTimeNS {
		return
	}
	b.judgeByHand(b.nowNS, out)
	b.refresh(b.nowNS, b.nowNS, out)
}

// forecastByHand is when a gap known by hand reaches a limit.
func (b *Brake) forecastByHand(name string, limitMM float64, nowNS int64) Forecast {
	h := b.hand
	f := nothing(name, limitMM, b.verdict.GapMM, b.verdict.GapUMM, nowNS)
	if h == nil || !h.known {
		return f
	}
	law, rate, u := h.law(limitMM)
	q := Quantiles{finite(law.quantile(0.05)), NoValue(), NoValue()}
	if h.worn {
		q.P50, q.P95 = finite(law.quantile(0.50)), finite(law.quantile(0.95))
	}
	if b.counted() {
		f.Cycles = q
		if h.worn {
			f.WearUMPerK, f.WearUUMPerK = rate*1e6, u*1e6
		}
		f.DateNS = law.dates(q, nowNS, &b.duty)
		return f
	}
	date := func(days float64) float64 { return float64(nowNS) + days*float64(dayNS) }
	f.DateNS = Quantiles{date(q.P05), date(q.P50), date(q.P95)}
	return f
}

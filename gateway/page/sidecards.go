package page

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/report"
	"gapward/gateway/store"
	"gapward/sensors"
)

// usedDays is how far back a brake's page tells of its duty; it is told anew
// after usedFresh, for it reads every cycle of that time.
const (
	usedDays  = 7
	usedFresh = time.Minute
)

// factView is a line of a card: what, and how much or in which state.
type factView struct{ What, Words string }

// used keeps what brakes' pages tell of their last days.
type used struct {
	mu   sync.Mutex
	kept map[string]keptRecord
}

type keptRecord struct {
	at     time.Time
	record report.BrakeRecord
}

// recent is the record of a brake's last days, at most usedFresh old; ok is
// false where no records are made.
func (s *Server) recent(ctx context.Context, brake string) (rec report.BrakeRecord, ok bool, err error) {
	if s.deps.Record == nil {
		return rec, false, nil
	}
	s.used.mu.Lock()
	defer s.used.mu.Unlock()
	now := s.deps.Now()
	if k, ok := s.used.kept[brake]; ok && now.Sub(k.at).Abs() < usedFresh {
		return k.record, true, nil
	}
	r, err := s.deps.Record(ctx, report.Query{Brake: brake, From: now.AddDate(0, 0, -usedDays), To: now, Now: now})
	if err != nil || len(r.Brakes) == 0 {
		return rec, false, err
	}
	if s.used.kept == nil {
		s.used.kept = map[string]keptRecord{}
	}
	s.used.kept[brake] = keptRecord{now, r.Brakes[0]}
	return r.Brakes[0], true, nil
}

// countWords is how many full cycles and jogs a brake has made. Without a signal
// nothing is counted, and with the drive alone nobody can tell the two apart.
func countWords(signals []sensors.Signal, full, jogs int64) string {
	switch {
	case len(signals) == 0:
		return "not counted: the brake has no signals"
	case !slices.Contains(signals, sensors.Travel) && !slices.Contains(signals, sensors.Released):
		return figures.Grouped(full+jogs) + " full or jogs"
	}
	return fmt.Sprintf("%s full, %s jogs", figures.Grouped(full), figures.Grouped(jogs))
}

// dutyFacts puts the duty of the last days into words.
func dutyFacts(signals []sensors.Signal, d report.DutyRecord) []factView {
	days := fmt.Sprintf("on %d of %d days", d.DaysInUse, usedDays)
	if d.DaysInUse >= usedDays { // the span has a part of one more day
		days = "on every day"
	}
	words := countWords(signals, d.Full, d.Jogs)
	if len(signals) > 0 {
		words += ", " + days
	}
	facts := []factView{{"Cycles", words}}
	add := func(what string, v *float64, decimals int, scale float64, unit string) {
		if v != nil {
			facts = append(facts, factView{what, figures.Measured(*v*scale, 0, decimals, unit).String()})
		}
	}
	if d.MostPerHour > 0 {
		facts = append(facts, factView{"Most starts in an hour", figures.Grouped(int64(d.MostPerHour))})
	}
	add("Starts an hour in use", d.MeanPerHour, 1, 1, "")
	add("Cyclic duration factor, most in ten minutes", d.FactorMost, 0, 100, "%")
	if d.OnHours != nil && *d.OnHours < 1 {
		add("Drive on in all", d.OnHours, 1, 60, "min")
	} else {
		add("Drive on in all", d.OnHours, 1, 1, "h")
	}
	add("Longest run", d.LongestS, 0, 1, "s")
	add("Braking work a stop, lowering", d.LoweringKJ, 1, 1, "kJ")
	add("Braking work a stop, hoisting", d.HoistingKJ, 1, 1, "kJ")
	return facts
}

// healthView is a signal and how far it can be relied upon, in the categories
// of NAMUR NE 107.
type healthView struct {
	Signal   string
	Category string
	Why      string
	Level    level
}

// viewHealth puts every signal of a brake into its category, by its standing
// alarms, those held back included, and by what was odd in its latest cycles. heard
// tells of a signal whether it is heard; nil: all are. Silence has one alarm for
// all signals of a brake, and a signal that hasn't spoken yet may have none.
func viewHealth(b *standing, cycles []store.CycleRow, heard func(string, sensors.Signal) bool) []healthView {
	var views []healthView
	odd, silent := 0, false
	for _, a := range slices.Concat(b.alarms, b.held) {
		silent = silent || a.Condition == analysis.SignalStale && (a.State.Active() || a.Marks&alerts.MarkStanding != 0)
	}
	for _, c := range cycles {
		if c.Flags&(analysis.FlagSpikes|analysis.FlagLostSamples) != 0 {
			odd++
		}
	}
	for _, sig := range b.brake.Signals {
		v := healthView{Signal: sig.String(), Category: "good", Level: normal}
		var worst analysis.Category
		for _, a := range slices.Concat(b.alarms, b.held) {
			if !a.State.Active() && a.Marks&alerts.MarkStanding == 0 || !concerns(a, sig) {
				continue
			}
			category := analysis.Category(categoryOf(a.Event))
			if category != worst && category.Graver(worst) == category {
				worst = category
				v.Why, v.Level = alerts.Title(a.Condition), abnormal
			}
		}
		mute := worst == "" && heard != nil && !heard(b.brake.Name, sig)
		switch {
		case mute && silent:
			worst, v.Level, v.Why = analysis.Failure, abnormal, alerts.Title(analysis.SignalStale)
		case mute:
			v.Category, v.Level = "nothing heard yet", unknown
		}
		if worst == "" && !mute && sig == sensors.Travel && odd*10 > len(cycles) {
			worst, v.Level = analysis.MaintenanceRequired, notice
			v.Why = fmt.Sprintf("%d of the latest %d cycles had spikes or lost samples", odd, len(cycles))
		}
		if worst != "" {
			v.Category = string(worst)
		}
		views = append(views, v)
	}
	return views
}

// categoryOf is an alarm's category of NAMUR NE 107; while somebody works on the
// brake its signals are being checked.
func categoryOf(e alerts.Event) string {
	if e.State == alerts.NotInService {
		return string(analysis.CheckFunction)
	}
	return string(analysis.CategoryOf(e.Condition, e.Unit))
}

// concerns says whether an alarm is about a signal, rather than about the brake.
func concerns(a store.AlarmRow, sig sensors.Signal) bool {
	switch a.Condition {
	case analysis.SignalFault, analysis.SignalStale:
		return a.Signal == sig.String()
	case analysis.SignalsDisagree:
		return sig == sensors.Travel || sig == sensors.Released
	}
	return false
}

// ledgerFacts are the latest entries of the ledger in words, the newest first.
func ledgerFacts(rec report.BrakeRecord, entries []report.EntryBody, now time.Time) []factView {
	var facts []factView
	for i := len(entries) - 1; i >= 0 && len(facts) < 6; i-- {
		e := entries[i]
		if e.Stands != nil && !*e.Stands {
			continue
		}
		at, err := time.Parse(time.RFC3339Nano, e.Time)
		if err != nil {
			continue
		}
		facts = append(facts, factView{figures.SaySince(at.UnixNano(), now), report.EntryWords(rec.Adjuster(), e) + ", by " + e.Who})
	}
	return facts
}

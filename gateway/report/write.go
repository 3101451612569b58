package report

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
)

// WriteJSON writes the record as JSON.
func (r *Record) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(r); err != nil {
		return fmt.Errorf("writing the record as JSON: %w", err)
	}
	return nil
}

// WriteCSV writes the record as one table: a row for each figure, with the
// brake, the section of the record, when it was, what it is, the value, its
// standard uncertainty and unit, and words. The gateway's rows have no brake.
func (r *Record) WriteCSV(w io.Writer) error {
	t := table{csv.NewWriter(w)}
	t.row("brake", "section", "time", "item", "value", "u", "unit", "words")
	t.row("", "record", r.Made, "made", "", "", "", r.Site)
	t.row("", "record", r.From, "from", "", "", "", r.Demo)
	t.row("", "record", r.To, "to", "", "", "", "")
	for _, c := range r.Cautions {
		t.row("", "caution", "", "", "", "", "", c)
	}
	for _, c := range r.Chains {
		t.row("", "chain", r.Made, c.Name, "", "", "", c.State)
	}
	t.alarms("", r.Gateway.Alarms)
	t.health("", r.Gateway.Health)
	for i := range r.Brakes {
		t.brake(&r.Brakes[i], r.Made)
	}
	t.w.Flush()
	if err := t.w.Error(); err != nil {
		return fmt.Errorf("writing the record as CSV: %w", err)
	}
	return nil
}

// table is a CSV file in the making.
type table struct{ w *csv.Writer }

func (t table) row(cells ...string) {
	for i := range cells {
		cells[i] = cell(cells[i])
	}
	_ = t.w.Write(cells) // WriteCSV asks for the error at the end
}

// figure writes a row where there is a value.
func (t table) figure(brake, section, at, item string, v, u *float64, unit, words string) {
	if v != nil {
		_ = t.w.Write([]string{cell(brake), section, at, item, plain(v), plain(u), unit, cell(words)}) // as in row
	}
}

func plain(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

func (t table) count(brake, section, item string, n int64) {
	t.row(brake, section, "", item, strconv.FormatInt(n, 10), "", "", "")
}

func (t table) brake(b *BrakeRecord, made string) {
	t.row(b.Name, "condition", b.Time, "verdict", "", "", "", b.State)
	t.figure(b.Name, "condition", b.Time, "gap", b.GapMM, b.GapUMM, "mm", b.Margin)
	t.figure(b.Name, "condition", b.Time, "release time", b.ReleaseMS, b.ReleaseU, "ms", "")
	t.figure(b.Name, "condition", b.Time, "set time", b.SetMS, b.SetU, "ms", "")
	for _, l := range []struct {
		name string
		mm   float64
	}{{"min", b.Limits.Min}, {"target", b.Limits.Target}, {"adjust", b.Limits.Adjust}, {"max", b.Limits.Max}} {
		t.figure(b.Name, "limit", "", l.name, &l.mm, nil, "mm", "")
	}
	t.forecasts(b)
	if p := b.Plan; p != nil {
		t.row(b.Name, "plan", made, p.Action, strconv.Itoa(p.Steps), "", "steps", p.Do+p.Reason)
		t.figure(b.Name, "plan", made, "gap expected", p.ExpectedMM, p.ExpectedUMM, "mm", p.Note)
	}
	if l := b.Lining; l != nil {
		if l.StepsLeft != nil {
			t.count(b.Name, "lining", "steps used", int64(l.StepsUsed))
			t.count(b.Name, "lining", "steps left", int64(*l.StepsLeft))
		}
		t.figure(b.Name, "lining", made, "thickness", l.ThicknessMM, l.UMM, "mm", l.Outlook)
		for _, o := range l.Orders {
			t.row(b.Name, "lining", o.By, "order "+o.Name, strconv.Itoa(o.Quantity), "", "", o.Number)
		}
	}
	for _, g := range b.Gaps {
		t.figure(b.Name, "gap", g.Time, "mean", g.Mean, nil, "mm", "")
		t.figure(b.Name, "gap", g.Time, "least", g.Least, nil, "mm", "")
		t.figure(b.Name, "gap", g.Time, "most", g.Most, nil, "mm", "")
	}
	for _, x := range b.Readings {
		t.figure(b.Name, "reading", x.Time, "gap", x.GapMM, x.UMM, "mm", x.Who)
		t.figure(b.Name, "reading", x.Time, "hand less probe", x.OffMM, x.OffUMM, "mm", "")
	}
	if x := b.Bias; x != nil {
		t.figure(b.Name, "reading", "", "bias", x.MM, x.UMM, "mm", x.Words)
		t.figure(b.Name, "reading", "", "bias a year", x.PerYearMM, x.PerYearUMM, "mm", "")
	}
	for _, e := range b.Ledger {
		stands := "stands"
		if e.Stands != nil && !*e.Stands {
			stands = "replaced"
		}
		t.row(b.Name, "ledger", e.Time, e.Kind, strconv.FormatInt(e.ID, 10), "", stands, e.Who+": "+EntryWords(b.settings.Adjuster, e)+notes(e.Note))
	}
	for _, x := range b.Works {
		t.row(b.Name, "work", x.Time, x.Outcome, plain(x.OffMM), "", "mm", x.Words)
	}
	t.row(b.Name, "retest", "", "", "", "", "", b.Retest)
	t.duty(b.Name, b.Duty)
	t.alarms(b.Name, b.Alarms)
	t.health(b.Name, b.Health)
	for _, d := range b.Doubts {
		t.count(b.Name, "cycles in doubt", d.Flag, int64(d.Cycles))
	}
}

func notes(note string) string {
	if note == "" {
		return ""
	}
	return "; " + note
}

func (t table) forecasts(b *BrakeRecord) {
	for _, raw := range b.Forecasts {
		var f struct {
			Time, Limit string
			Cycles      struct{ P05, P50, P95 *float64 }
			Date        struct{ P05, P50, P95 string }
		}
		if json.Unmarshal(raw, &f) != nil {
			continue // it was written by us a moment ago
		}
		for _, q := range []struct {
			name   string
			cycles *float64
			date   string
		}{{"p05", f.Cycles.P05, f.Date.P05}, {"p50", f.Cycles.P50, f.Date.P50}, {"p95", f.Cycles.P95, f.Date.P95}} {
			t.figure(b.Name, "forecast", f.Time, f.Limit+" "+q.name, q.cycles, nil, "cycles", q.date)
		}
	}
}

func (t table) duty(brake string, d DutyRecord) {
	t.count(brake, "duty", "full cycles", d.Full)
	t.count(brake, "duty", "jogs", d.Jogs)
	t.count(brake, "duty", "days in use", int64(d.DaysInUse))
	t.count(brake, "duty", "starts per hour, most", int64(d.MostPerHour))
	for _, f := range []struct {
		item string
		v    *float64
		unit string
	}{
		{"starts per hour in use", d.MeanPerHour, ""}, {"cyclic duration factor, most", d.FactorMost, ""}, {"drive on", d.OnHours, "h"}, {"longest run", d.LongestS, "s"},
		{"braking work a stop, lowering", d.LoweringKJ, "kJ"}, {"braking work a stop, hoisting", d.HoistingKJ, "kJ"}, {"braking work, at most", d.AtMostMJ, "MJ"},
		{"release time, median", d.ReleaseMedian, "ms"}, {"release time, p95", d.ReleaseHighest, "ms"}, {"set time, median", d.SetMedian, "ms"}, {"set time, p95", d.SetHighest, "ms"},
	} {
		t.figure(brake, "duty", "", f.item, f.v, nil, f.unit, "")
	}
}

func (t table) alarms(brake string, list []AlarmRecord) {
	for _, a := range list {
		over := "stands"
		if a.Cleared != "" {
			over = "over " + a.Cleared
		}
		t.row(brake, "alarm", a.Raised, a.Condition, plain(a.Value), "", a.Unit, a.Title+", "+over)
	}
}

func (t table) health(brake string, list []HealthRecord) {
	for _, h := range list {
		t.figure(brake, "health", "", h.What, h.Hours, nil, "h", "")
	}
}

package report

import (
	"math"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
)

// Once a limit is reached, odds of when it will be are none: "one in twenty before
// today" would only confuse who reads the record.
func TestOddsOfWhatIsReachedAreLeftOut(t *testing.T) {
	in := func(days int) float64 {
		return float64(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).AddDate(0, 0, days).UnixNano())
	}
	forecast := func(limit string, mm float64) *analysis.Forecast {
		return &analysis.Forecast{Limit: limit, LimitMM: mm, Cycles: analysis.Quantiles{P05: 1, P50: 20, P95: 1300},
			DateNS: analysis.Quantiles{P05: in(1), P50: in(9), P95: math.NaN()}}
	}
	b := BrakeRecord{adjust: forecast("adjust", 2.8), most: forecast("max", 3.4), relining: forecast(analysis.LiningForecast, 3)}
	for state, want := range map[string]string{
		"in-limits":  "To adjust, 2.8 mm|To max, 3.4 mm|To the end of the lining",
		"adjust-due": "To max, 3.4 mm|To the end of the lining",
		"stop-using": "To the end of the lining",
		"too-narrow": "To adjust, 2.8 mm|To max, 3.4 mm|To the end of the lining",
	} {
		b.State = state
		var heads []string
		lines := odds(b, time.UTC)
		for _, line := range lines {
			head, _, _ := strings.Cut(line, ": ")
			heads = append(heads, strings.ReplaceAll(head, "\u00a0", " "))
		}
		if got := strings.Join(heads, "|"); got != want {
			t.Errorf("%s: %q, want %q", state, got, want)
		}
		if last := strings.ReplaceAll(lines[len(lines)-1], "\u00a0", " "); !strings.Contains(last, "one in twenty before 3 Mar 2026 (1 cycle), even odds before 11 Mar 2026 (20 cycles)") {
			t.Error(last)
		}
	}
}

func TestUseInWords(t *testing.T) {
	for want, b := range map[string]BrakeRecord{
		"300 full, 12 jogs, on 9 days": {Signals: []string{"travel", "drive"}, Duty: DutyRecord{Full: 300, Jogs: 12, DaysInUse: 9}},
		"312, on 9 days; without probe and switch full cycles and jogs can't be told apart": {Signals: []string{"drive"}, Duty: DutyRecord{Jogs: 312, DaysInUse: 9}},
		"not counted: the brake has no signals":                                             {},
	} {
		if got := cycleWords(b); got != want {
			t.Errorf("it reads %q, want %q", got, want)
		}
	}
}

// Sheets are taken apart: each says which record it is of, and whose brake it
// tells of. Work that isn't due isn't told as if it were.
func TestEachSheetSaysWhatItIsOf(t *testing.T) {
	made := "2026-03-02T12:00:00Z"
	gap, u := 1.6, 0.01
	r := Record{Site: `Quay "}<9>`, From: made, To: made, Made: made, Demo: "Demonstration", Brakes: []BrakeRecord{
		{Name: "quay-2/creep", State: "in-limits", Plan: &PlanRecord{Action: "adjust", Do: "Take one out.", ExpectedMM: &gap, ExpectedUMM: &u}},
		{Name: "quay-2/main", State: "adjust-due", Plan: &PlanRecord{Action: "adjust", Due: true, Do: "Turn it on.", ExpectedMM: &gap, ExpectedUMM: &u}},
	}}
	var out strings.Builder
	if err := r.WriteHTML(&out); err != nil {
		t.Fatal(err)
	}
	html := out.String()
	for _, want := range []string{
		`"page " counter(page) " of " counter(pages)`, `@page brake1 { @top-right { content: "quay-2\2fmain"; } }`, `#brake1 { page: brake1; }`, `<section class="brake" id="brake1">`,
		`@top-left { content: "Demonstration"; }`, `Not due; if it is adjusted now all the same: <strong>Take one out.</strong>`, `<td><strong>Turn it on.</strong>`,
	} {
		if !strings.Contains(html, want) {
			t.Errorf("the record lacks %s", want)
		}
	}
	if strings.Contains(html, `Quay "}`) {
		t.Error("a site's name leaves its place in the style")
	}
	if n := strings.Count(html, "Not due"); n != 1 {
		t.Errorf("%d brakes are called not due, want 1", n)
	}
}

package page

import (
	"context"
	"errors"
	"strings"
	"testing"

	"gapward/alerts"
	"gapward/analysis"
)

// planned are plans of the harbour's quay-2, the creep brake first.
func planned(creepMM, mainMM float64, used int) analysis.ChainPlan {
	creep := analysis.Settings{Name: "quay-2/creep", Limits: analysis.Limits{MinMM: 0.8, TargetMM: 1, AdjustMM: 1.8, MaxMM: 2.2},
		Adjuster: analysis.Adjuster{Shims: &analysis.Shims{Packs: 2, ThicknessMM: 0.1, Fitted: 10}}}
	main := analysis.Settings{Name: "quay-2/main", Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4},
		Adjuster: analysis.Adjuster{Ring: &analysis.Ring{Holes: 6, PitchMM: 3, Uses: 3}},
		Lining:   analysis.Lining{ThicknessMM: 6, MinimumMM: 4, ConeHalfAngleDeg: 15}}
	return analysis.PlanChain([]analysis.ChainMember{
		{Settings: creep, Verdict: analysis.Verdict{GapMM: creepMM, GapUMM: 0.01}},
		{Settings: main, Verdict: analysis.Verdict{GapMM: mainMM, GapUMM: 0.01}, Use: analysis.LiningUse{Known: true, StepsUsed: used}},
	})
}

func TestPlanOnTheBrakesPage(t *testing.T) {
	deps, _ := harbourSite(t)
	var c analysis.ChainPlan
	var broken error
	deps.Plan = func(_ context.Context, brake string) (analysis.ChainPlan, error) { return c, broken }
	s := serverOf(t, deps)
	for _, one := range []struct {
		name  string
		plan  analysis.ChainPlan
		wants []string
	}{
		{"both due", planned(1.82, 2.82, 0), []string{
			"quay-2/creep before quay-2/main, in this order: a brake that cannot free stalls its motor",
			"quay-2/creep . Due: Take 4 shims out of each of the 2 packs (8 in all, 0.1 mm each). It should then read 1.02 ± 0.02 mm. Adjusting left in the lining: 10 of 10, then 6.",
			"quay-2/main . Due: Turn the brake ring on by 2 index holes (1/3 turn). It should then read 1.82 ± 0.02 mm. Adjusting left in the lining: 3 of 3, then 1. Lining 5.68 ± 0.01 mm, 1.68 mm above its minimum.",
			"Then test before return to service", alerts.Cautions()[0]}},
		{"a new lining", planned(1.02, 2.82, 3), []string{
			"quay-2/main . New lining: One hole would leave 2.32 ± 0.02 mm, but the lining has no holes left: fit a new lining, ring back.",
			"quay-2/creep . Nothing to adjust: The gap of 1.02 ± 0.02 mm is as near the target",
			"look at quay-2/creep (1.02 ± 0.02 mm, not due) too", alerts.Cautions()[0]}},
		{"not due", planned(1.02, 2.3, 0), []string{"quay-2/main . Not due; if it is adjusted now all the same: Turn the brake ring on by one index hole (1/6 turn). It should then read 1.80 ± 0.02 mm.", alerts.Cautions()[0]}},
	} {
		c = one.plan
		text := words(get(s, "/brake/quay-2/main").Body.String())
		for _, want := range one.wants {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the page doesn't say %q\n%s", one.name, want, text)
			}
		}
		if n := strings.Count(text, alerts.Cautions()[0]); n != 1 {
			t.Errorf("%s: the cautions stand there %d times", one.name, n)
		}
	}

	c = planned(1.82, 2.82, 0)
	var body struct {
		State, Order string
		Due          bool
		Plans        []struct {
			Brake, Action string
			Steps         int
			Expected      float64 `json:"expected_gap_mm"`
			Left          int     `json:"steps_left_after"`
		}
		Cautions []string
	}
	decode(t, get(s, "/api/plan/quay-2/main"), &body)
	if !body.Due || body.State != "adjust-due" || body.Order == "" || len(body.Cautions) == 0 || len(body.Plans) != 2 ||
		body.Plans[1].Brake != "quay-2/main" || body.Plans[1].Action != "adjust" || body.Plans[1].Steps != 2 || body.Plans[1].Left != 1 || body.Plans[1].Expected != 1.82 {
		t.Errorf("%+v", body)
	}
	if w := get(s, "/api/plan/nowhere"); w.Code != 404 {
		t.Errorf("a plan for no brake: %d", w.Code)
	}
	broken = errors.New("the card is gone")
	if w := get(s, "/api/plan/quay-2/main"); w.Code < 500 || strings.Contains(w.Body.String(), "card") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := get(s, "/brake/quay-2/main"); w.Code < 500 {
		t.Errorf("the page without its plan: %d", w.Code)
	}
}

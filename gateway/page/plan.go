package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/report"
)

// planView is what to do at a brake and at those that hold the load with it.
type planView struct {
	Lines  []planLine // in the order of the work
	Order  string     // why in this order
	Others string
	Test   string

	Enter    string   // path of the ledger's form; empty where there is none
	Latest   string   // how the latest work turned out
	Offer    string   // a step that nobody entered
	Retest   string   // how far the retest after the latest work has come
	Relining string   // when the lining must be renewed
	Orders   []string // what must be ordered for it, and by when
}

// addWork adds what the ledger says of the latest work on the brake, and when its
// lining must be renewed.
func (s *Server) addWork(ctx context.Context, v *planView, brake string) error {
	if s.deps.Record == nil {
		return nil
	}
	now := s.deps.Now()
	rec, err := s.deps.Record(ctx, report.Query{Brake: brake, From: time.Unix(0, 1), To: now.Add(5 * time.Minute), Now: now, Short: true})
	if err != nil {
		return err
	}
	b := rec.Brakes[0]
	if s.deps.Ledger != nil {
		v.Enter = "/enter?" + url.Values{"brake": {brake}}.Encode()
	}
	if n := len(b.Works); n > 0 {
		v.Latest = sentence(b.Works[n-1].Words)
	}
	v.Offer = b.Offer
	if len(b.Works) > 0 || b.RetestDue {
		v.Retest = sentence(b.Retest)
	}
	if b.Lining == nil {
		return nil
	}
	v.Relining = sentence(b.Lining.Outlook)
	for _, o := range b.Lining.Orders {
		v.Orders = append(v.Orders, o.Words(now))
	}
	return nil
}

// planLine is the plan for one brake.
type planLine struct {
	Link   linkView
	Own    bool   // it is the brake whose page this is
	Head   string // "Due", "Not due", …
	Do     string
	Due    bool
	After  string // what the gap should be then
	Why    string // why there is nothing to do, or no plan
	Note   string
	Budget string
}

// viewPlan puts a plan into words; nil where there is none to show.
func viewPlan(g gathered, own string, c analysis.ChainPlan) *planView {
	if len(c.Plans) == 0 {
		return nil
	}
	v := &planView{Order: c.Order, Others: c.Others, Test: c.Test}
	for _, p := range c.Plans {
		line := planLine{Own: p.Brake == own, Due: p.Due, Do: p.Do, Why: sentence(p.Reason), Note: sentence(p.Note), Budget: budgetWords(p)}
		if b := g.find(p.Brake); b != nil {
			line.Link = linkView{Name: p.Brake, Path: pathOf("/brake/", p.Brake), Word: b.word, Level: b.level}
		}
		switch {
		case p.Action == analysis.Reline:
			line.Head = "New lining"
		case p.Action == analysis.Unplanned:
			line.Head = "No plan"
		case p.Due:
			line.Head = "Due"
		case p.Action == analysis.Adjust:
			line.Head = "Not due; if it is adjusted now all the same"
		default:
			line.Head = "Nothing to adjust"
		}
		if p.Action == analysis.Adjust {
			line.After = fmt.Sprintf("It should then read %s.", analysis.PlusMinus(p.ExpectedMM, p.ExpectedUMM))
		}
		v.Lines = append(v.Lines, line)
	}
	return v
}

// touches reports whether a plan leads somebody to a brake.
func touches(c analysis.ChainPlan) bool {
	for _, p := range c.Plans {
		if p.Due || p.Action == analysis.Adjust || p.Action == analysis.Reline {
			return true
		}
	}
	return false
}

// budgetWords is what the lining has left, before and after.
func budgetWords(p analysis.AdjustPlan) string {
	words := ""
	if p.Before.StepsTotal > 0 {
		words = fmt.Sprintf("Adjusting left in the lining: %d of %d", p.Before.StepsLeft, p.Before.StepsTotal)
		if p.After.StepsLeft != p.Before.StepsLeft {
			words += fmt.Sprintf(", then %d", p.After.StepsLeft)
		}
		words += ". "
	}
	if !math.IsNaN(p.Before.ToMinimumMM) {
		words += fmt.Sprintf("Lining %s, %s mm above its minimum.", analysis.PlusMinus(p.Before.ThicknessMM, p.Before.U), figures.Fixed(p.Before.ToMinimumMM, 2))
	}
	return words
}

// sentence is a reason with a capital and a full stop.
func sentence(reason string) string {
	if reason == "" {
		return ""
	}
	if reason[0] >= 'a' && reason[0] <= 'z' {
		reason = string(reason[0]-'a'+'A') + reason[1:]
	}
	return reason + "."
}

// apiPlanBody is a plan for one brake as JSON.
type apiPlanBody struct {
	Brake       string   `json:"brake"`
	State       string   `json:"state"`
	Due         bool     `json:"due"`
	Action      string   `json:"action"`
	Steps       int      `json:"steps,omitempty"`
	StepMM      *float64 `json:"step_mm,omitempty"`
	Do          string   `json:"do,omitempty"`
	Reason      string   `json:"reason,omitempty"`
	Note        string   `json:"note,omitempty"`
	GapMM       *float64 `json:"gap_mm,omitempty"`
	GapUMM      *float64 `json:"gap_u_mm,omitempty"`
	ExpectedMM  *float64 `json:"expected_gap_mm,omitempty"`
	ExpectedUMM *float64 `json:"expected_gap_u_mm,omitempty"`
	StepsLeft   *int     `json:"steps_left,omitempty"`
	StepsThen   *int     `json:"steps_left_after,omitempty"`
	LiningMM    *float64 `json:"lining_mm,omitempty"`
	ToMinimumMM *float64 `json:"lining_to_minimum_mm,omitempty"`
}

// apiPlan answers with the plan for a brake and those that hold the load with
// it, in the order of the work.
func (s *Server) apiPlan(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !s.known(w, r, name) {
		return
	}
	c, err := s.deps.Plan(r.Context(), name)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	plans := []apiPlanBody{}
	for _, p := range c.Plans {
		body := apiPlanBody{Brake: p.Brake, State: p.State.String(), Due: p.Due, Action: p.Action.String(), Steps: p.Steps, Do: p.Do, Reason: p.Reason, Note: p.Note,
			GapMM: number(p.GapMM), GapUMM: number(p.GapUMM), ExpectedMM: number(p.ExpectedMM), ExpectedUMM: number(p.ExpectedUMM),
			LiningMM: number(p.Before.ThicknessMM), ToMinimumMM: number(p.Before.ToMinimumMM)}
		if p.Step.MM > 0 {
			body.StepMM = number(p.Step.MM)
		}
		if p.Before.StepsTotal > 0 {
			body.StepsLeft, body.StepsThen = &p.Before.StepsLeft, &p.After.StepsLeft
		}
		plans = append(plans, body)
	}
	cautions := []string{}
	if touches(c) {
		cautions = alerts.Cautions()
	}
	s.answer(w, r, http.StatusOK, struct {
		State    string        `json:"state"`
		Due      bool          `json:"due"`
		Plans    []apiPlanBody `json:"plans"`
		Order    string        `json:"order,omitempty"`
		Others   string        `json:"others,omitempty"`
		Test     string        `json:"test,omitempty"`
		Cautions []string      `json:"cautions"`
	}{c.State.String(), c.Due, plans, c.Order, c.Others, c.Test, cautions})
}

package page

import (
	"context"
	"math"
	"net/http"
	"time"

	"gapward/alerts"
	"gapward/gateway/report"
)

// apiDetail is a brake by itself as JSON: what its own page shows beyond what
// stands on the board. Gap history, waveform, cycles, plan, ledger and past
// alarms have addresses of their own.
type apiDetail struct {
	apiBrakeBody
	Others   []apiOther         `json:"holding_chain_others,omitempty"`
	Health   []apiSignal        `json:"signal_health"`
	Duty     *report.DutyRecord `json:"duty,omitempty"` // of the last days
	Work     *apiWork           `json:"work,omitempty"`
	Cautions []string           `json:"cautions"`
}

// apiOther is another brake that holds the same load.
type apiOther struct {
	Brake    string `json:"brake"`
	Headline string `json:"headline"`
	Level    string `json:"level"`
}

// apiSignal is how far a signal can be relied upon, in the categories of NAMUR
// NE 107.
type apiSignal struct {
	Signal   string `json:"signal"`
	Category string `json:"category"`
	Reason   string `json:"reason,omitempty"`
}

// apiWork is what the ledger says of work on the brake.
type apiWork struct {
	Latest    string               `json:"latest,omitempty"` // how it turned out
	Retest    string               `json:"retest,omitempty"`
	RetestDue bool                 `json:"retest_due"`
	Offer     string               `json:"offer,omitempty"` // a step that nobody entered
	Bias      string               `json:"bias,omitempty"`  // of the probe against readings by hand
	Lining    *report.LiningRecord `json:"lining,omitempty"`
}

func (s *Server) apiBrake(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !s.known(w, r, name) {
		return
	}
	g, err := s.arrivals.newest(r.Context())
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	body, err := s.detailOf(r.Context(), g.value, name)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, body)
}

func (s *Server) detailOf(ctx context.Context, g gathered, name string) (d apiDetail, err error) {
	now, b := s.deps.Now(), g.find(name)
	d = apiDetail{apiBrakeBody: bodyOf(b, now), Health: []apiSignal{}, Cautions: []string{}}
	if c := cautions(b); c != nil {
		d.Cautions = c
	}
	for _, o := range chainOf(g, b) {
		d.Others = append(d.Others, apiOther{o.Name, o.Word, string(o.Level)})
	}
	cycles, err := s.deps.Data.Cycles(ctx, name, 0, math.MaxInt64, listedCycles)
	if err != nil {
		return d, err
	}
	for _, h := range viewHealth(b, cycles, s.deps.Heard) {
		d.Health = append(d.Health, apiSignal{h.Signal, h.Category, h.Why})
	}
	recent, ok, err := s.recent(ctx, name)
	if err != nil || !ok {
		return d, err
	}
	d.Duty = &recent.Duty
	rec, err := s.deps.Record(ctx, report.Query{Brake: name, From: time.Unix(0, 1), To: now.Add(5 * time.Minute), Now: now, Short: true})
	if err != nil {
		return d, err
	}
	whole := rec.Brakes[0]
	d.Work = &apiWork{Retest: whole.Retest, RetestDue: whole.RetestDue, Offer: whole.Offer, Lining: whole.Lining}
	if n := len(whole.Works); n > 0 {
		d.Work.Latest = whole.Works[n-1].Words
	}
	if whole.Bias != nil {
		d.Work.Bias = whole.Bias.Words
	}
	if s.deps.Plan != nil {
		plan, err := s.deps.Plan(ctx, name)
		if err != nil {
			return d, err
		}
		if touches(plan) {
			d.Cautions = alerts.Cautions()
		}
	}
	return d, nil
}

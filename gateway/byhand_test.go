package gateway

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/page"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

// storing enters straight into a store, as the owner does, and has the pipeline
// take the entry in.
type storing struct {
	*store.DB
	line *Pipeline
	at   int
}

func (s *storing) Enter(ctx context.Context, row store.LedgerRow) (store.LedgerRow, error) {
	b := store.Batch{Ledger: []store.LedgerRow{row}}
	if err := s.Commit(ctx, &b); err != nil {
		return row, err
	}
	rows, err := s.Ledger(ctx, row.Brake)
	if err != nil {
		return row, err
	}
	var found store.Batch
	entries := store.Entries(rows)
	s.line.Entered(int32(s.at), entries[len(entries)-1], entries, &found)
	return b.Ledger[0], s.Commit(ctx, &found)
}

// A brake with a drive and no probe: what somebody enters on the page alone gives
// it gap, verdict, forecast and plan, in the record as well.
func TestHandReadingsOnThePageJudgeABrakeWithoutProbe(t *testing.T) {
	site, db := recorded(t)
	const name = "quay-2/creep"
	at := site.BrakeIndex(name)
	line := NewPipeline(site.AnalysisSettings(), false)
	now := recordedNow()
	desk := &storing{db, line, at}
	server, err := page.New(page.Deps{Site: site.Name, Brakes: pageBrakes(site), Data: told{db, newWatch(nil, now)}, Ledger: desk, Plan: planner(site, db),
		Record: Recorder(site, db, "", "", nil), Now: func() time.Time { return now }, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	if err != nil {
		t.Fatal(err)
	}
	send := func(f url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "/enter", strings.NewReader(f.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1:8480"
		w := httptest.NewRecorder()
		server.Handler().ServeHTTP(w, r)
		return w
	}
	reading := func(daysAgo int, gaps string) url.Values {
		return url.Values{"brake": {name}, "kind": {"reading"}, "gaps": {gaps}, "who": {"K. Berg"}, "at": {now.AddDate(0, 0, -daysAgo).Format("2006-01-02T15:04")}}
	}
	if w := send(reading(1, "1.2 x")); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "which is no number") || !strings.Contains(w.Body.String(), `value="1.2 x"`) {
		t.Errorf("a reading that is none: %d", w.Code)
	}
	if w := send(url.Values{"brake": {"quay-9"}, "kind": {"reading"}}); w.Code != http.StatusNotFound {
		t.Errorf("no such brake: %d", w.Code)
	}
	if w := send(url.Values{"brake": {name}, "kind": {"correction"}, "who": {"K. Berg"}, "corrects": {"5"}, "note": {"it was the other hoist"}}); w.Code != http.StatusSeeOther {
		t.Fatalf("withdrawing: %d %s", w.Code, w.Body)
	}
	// 2000 cycles in 200 days, and 0.6 mm in them.
	var batch store.Batch
	start := now.AddDate(0, 0, -200)
	for i := range 2000 {
		none := analysis.NoValue()
		line.Recall(int32(at), analysis.Cycle{AtNS: start.UnixNano() + int64(i)*(200*86400e9/2000), Kind: analysis.Jog, GapMM: none, GapUMM: none, ReleaseS: none, ReleaseUS: none,
			SetS: none, SetUS: none, SetLevelMM: none, ReleasedLevelMM: none, TemperatureC: none}, &batch)
	}
	if err := db.Commit(t.Context(), &batch); err != nil {
		t.Fatal(err)
	}
	for i, gap := range []string{"1.05 1,06 1.05", "1.35 1.36 1.36", "1.66 1.65 1.65"} {
		if w := send(reading(200-100*i, gap)); w.Code != http.StatusSeeOther {
			t.Fatalf("reading %d: %d %s", i, w.Code, w.Body)
		}
	}
	r, err := Recorder(site, db, "", "", nil)(t.Context(), report.Query{Brake: name, From: start.Add(-time.Hour), To: now.Add(time.Second), Now: now})
	if err != nil {
		t.Fatal(err)
	}
	b := r.Brakes[0]
	if b.State != "in-limits" && b.State != "adjust-due" || b.GapMM == nil || *b.GapMM < 1.55 || *b.GapMM > 1.75 || *b.GapUMM < 0.02 {
		t.Errorf("the brake is %s at %v", b.State, fmt.Sprint(*b.GapMM, *b.GapUMM))
	}
	if b.Plan == nil || b.Plan.Action != "adjust" || b.Plan.Steps != 3 || len(b.Readings) != 3 || b.Readings[0].Repeats != 3 || b.Readings[0].OffMM != nil {
		t.Errorf("plan %+v, readings %+v", b.Plan, b.Readings)
	}
	foretold := false
	for _, f := range b.Forecasts {
		foretold = foretold || strings.Contains(string(f), `"limit":"adjust"`) && strings.Contains(string(f), `"p50"`)
	}
	if !foretold || b.Outlook == "" {
		t.Errorf("no wear is forecast: %s", b.Forecasts)
	}
	if !strings.Contains(fmt.Sprint(b.Ledger), "it was the other hoist") && len(b.Ledger) < 4 {
		t.Errorf("the ledger is %+v", b.Ledger)
	}
}

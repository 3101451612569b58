package page

import (
	"bytes"
	"errors"
	"io"
	"net/http"
	"net/url"
	"time"

	"gapward/gateway/report"
)

// recordSpan is how far a record goes back where nothing is said.
const recordSpan = 90 * day

// recordView is the page on which somebody chooses what a record is of.
type recordView struct {
	Brakes   []choice
	Many     bool // too many to be listed
	From, To string
}

// recordRoutes adds the inspection record and the page to choose it on.
func (s *Server) recordRoutes(mux *http.ServeMux) {
	if s.deps.Record == nil {
		return
	}
	mux.HandleFunc("GET /report", s.recordPage)
	mux.HandleFunc("GET /api/report", s.apiRecord)
}

func (s *Server) recordPage(w http.ResponseWriter, r *http.Request) {
	now := s.deps.Now()
	v := &recordView{Many: len(s.deps.Brakes) > mostListed, Brakes: []choice{{"", "All brakes"}}, From: now.Add(-recordSpan).Format(time.DateOnly), To: now.Format(time.DateOnly)}
	for _, b := range s.deps.Brakes {
		v.Brakes = append(v.Brakes, choice{b.Name, b.Name})
	}
	s.show(w, r, http.StatusOK, view{Title: joinWords(" – ", "Inspection record", s.deps.Site), Record: v})
}

// apiRecord answers with the inspection record: as JSON, or with format=html or
// csv as a page that prints or a table.
func (s *Server) apiRecord(w http.ResponseWriter, r *http.Request) {
	q, err := s.recordQuery(r.URL.Query())
	if err != nil {
		s.refuse(w, r, http.StatusBadRequest, err.Error())
		return
	}
	if q.Brake != "" && !s.known(w, r, q.Brake) {
		return
	}
	rec, err := s.deps.Record(r.Context(), q)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	kind, name, write := "application/json; charset=utf-8", "", rec.WriteJSON
	switch r.URL.Query().Get("format") {
	case "html":
		kind, write = "text/html; charset=utf-8", rec.WriteHTML
		// The record carries its own style and pictures, and nothing that runs.
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	case "csv":
		kind, name, write = "text/csv; charset=utf-8", "inspection-record.csv", rec.WriteCSV
	}
	// Into memory first: what fails halfway must not look like a record.
	var body bytes.Buffer
	if err := write(&body); err != nil {
		s.apiFailed(w, r, err)
		return
	}
	w.Header().Set("Content-Type", kind)
	if name != "" {
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	}
	_, _ = io.Copy(w, &body) // the client is gone if it fails
}

// recordQuery reads brake and span.
func (s *Server) recordQuery(q url.Values) (report.Query, error) {
	now := s.deps.Now()
	want := report.Query{Brake: q.Get("brake"), Now: now}
	var err error
	if want.To, err = report.ParseEnd(q.Get("to"), now); err != nil {
		return want, errors.New("to: " + err.Error())
	}
	if want.From, err = report.ParseBeginning(q.Get("from"), want.To.Add(-recordSpan), now.Location()); err != nil {
		return want, errors.New("from: " + err.Error())
	}
	if !want.From.Before(want.To) {
		return want, errors.New("from is not before to")
	}
	if f := q.Get("format"); f != "" && f != "json" && f != "html" && f != "csv" {
		return want, errors.New("format is json, html or csv")
	}
	return want, nil
}

package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"time"

	"gapward/analysis"
	"gapward/gateway/accounts"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

// Ledger is where entries come from and go to. Its methods may be called from
// several goroutines at a time.
type Ledger interface {
	// Ledger reads the entries of a brake, or of all where it is empty, in the
	// order of their ids.
	Ledger(ctx context.Context, brake string) ([]store.LedgerRow, error)
	// Enter stores a checked entry and returns it with its id. An error that is
	// a [store.ErrCorrection] is the entry's fault, any other the gateway's.
	Enter(ctx context.Context, row store.LedgerRow) (store.LedgerRow, error)
}

// mostEntryBytes is how long an entry may be as JSON.
const mostEntryBytes = 64 << 10

// ledgerRoutes adds what reads and writes the ledger.
//
// An entry is taken only from those who may make one, see [Server.allowed], and
// only as JSON, which no plain form can send.
func (s *Server) ledgerRoutes(mux *http.ServeMux) {
	if s.deps.Ledger == nil {
		return
	}
	mux.HandleFunc("GET /api/ledger", s.apiLedger)
	mux.HandleFunc("GET /api/ledger.csv", s.csvLedger)
	mux.HandleFunc("POST /api/ledger", s.allowed(accounts.Technician, s.apiEnter))
}

// entries reads what the query asks for; ok is false where it was refused.
func (s *Server) entries(w http.ResponseWriter, r *http.Request) (rows []store.LedgerRow, ok bool) {
	brake := r.URL.Query().Get("brake")
	if brake != "" && !s.known(w, r, brake) {
		return nil, false
	}
	rows, err := s.deps.Ledger.Ledger(r.Context(), brake)
	if err != nil {
		s.apiFailed(w, r, err)
		return nil, false
	}
	return rows, true
}

// apiLedger answers with all entries, corrected ones too, the oldest id first.
func (s *Server) apiLedger(w http.ResponseWriter, r *http.Request) {
	rows, ok := s.entries(w, r)
	if !ok {
		return
	}
	s.answer(w, r, http.StatusOK, struct {
		Entries []report.EntryBody `json:"entries"`
	}{report.Bodies(rows)})
}

// csvLedger answers with the same as a table.
func (s *Server) csvLedger(w http.ResponseWriter, r *http.Request) {
	rows, ok := s.entries(w, r)
	if !ok {
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="ledger.csv"`)
	if err := report.WriteLedgerCSV(w, rows); err != nil && r.Context().Err() == nil {
		s.deps.Log.Error("writing the ledger as a table failed", "error", err)
	}
}

// AuditOfEntry is what the audit says of an entry that somebody made, or tried to.
func AuditOfEntry(row store.LedgerRow, err error) Audit {
	a := Audit{Who: row.Who, Did: "enter " + string(row.Kind), About: fmt.Sprintf("%s, entry %d", row.Brake, row.ID), Outcome: "done"}
	if err != nil {
		a.About, a.Outcome = row.Brake, err.Error()
	}
	return a
}

// doubt is a [report.DoubtError] where an entry looks wrong and who sends it
// hasn't said that it is meant.
func (s *Server) doubt(ctx context.Context, body report.EntryBody, row store.LedgerRow) error {
	if body.Sure {
		return nil
	}
	if s.deps.Record == nil {
		return report.Doubt(row.Entry, analysis.Settings{Name: row.Brake, Limits: s.byName[row.Brake].Limits})
	}
	now := s.deps.Now()
	rec, err := s.deps.Record(ctx, report.Query{Brake: row.Brake, From: time.Unix(0, 1), To: now, Now: now, Short: true})
	if err != nil {
		return err
	}
	return rec.Brakes[0].Doubt(row.Entry)
}

// apiEnter stores an entry and answers with it.
func (s *Server) apiEnter(w http.ResponseWriter, r *http.Request) {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		s.refuse(w, r, http.StatusUnsupportedMediaType, "send the entry as application/json")
		return
	}
	var body report.EntryBody
	in := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostEntryBytes))
	in.DisallowUnknownFields()
	if err := in.Decode(&body); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "the entry can't be read: "+unreadable(err))
		return
	}
	if _, err := in.Token(); !errors.Is(err, io.EOF) {
		s.refuse(w, r, http.StatusBadRequest, "the entry can't be read: there is more after it")
		return
	}
	if body.Site != "" && body.Site != s.deps.Site {
		s.refuse(w, r, http.StatusConflict, fmt.Sprintf("this is the gateway of %s, not of %s", s.deps.Site, body.Site))
		return
	}
	if !s.known(w, r, body.Brake) {
		return
	}
	row, err := body.Row(s.deps.Now())
	if err != nil {
		s.refuse(w, r, http.StatusUnprocessableEntity, err.Error())
		return
	}
	if err := s.doubt(r.Context(), body, row); err != nil {
		if _, is := errors.AsType[*report.DoubtError](err); !is {
			s.apiFailed(w, r, err)
			return
		}
		s.refuse(w, r, http.StatusUnprocessableEntity, err.Error()+". If it is so, send it with sure: true")
		return
	}
	row, err = s.deps.Ledger.Enter(r.Context(), row)
	s.entered.Add(1)
	s.audit(r, AuditOfEntry(row, err))
	switch {
	case errors.Is(err, store.ErrCorrection):
		s.refuse(w, r, http.StatusUnprocessableEntity, err.Error())
	case err != nil:
		s.deps.Log.Error("an entry of the ledger could not be stored", "brake", body.Brake, "error", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "the entry could not be stored; the gateway's log says why. Look at the ledger before entering it again")
	default:
		s.answer(w, r, http.StatusCreated, report.BodyOf(row))
	}
}

package page

import (
	"net/http"
	"strconv"
	"time"

	"gapward/gateway/accounts"
	"gapward/gateway/figures"
)

// listedAudit is how many acts the audit's page lists, and the interface where
// nothing is said; mostAudit is how many it gives.
const (
	listedAudit = 200
	mostAudit   = 5000
)

// auditView is the page of what people did.
type auditView struct{ Lines []auditLine }

// auditLine is one of them, as people read it.
type auditLine struct {
	At, AtRFC string
	Audit
}

// auditRoutes adds what shows the audit, to admins alone.
func (s *Server) auditRoutes(mux *http.ServeMux) {
	if s.deps.ReadAudit == nil {
		return
	}
	mux.HandleFunc("GET /audit", s.allowed(accounts.Admin, s.auditPage))
	mux.HandleFunc("GET /api/audit", s.allowed(accounts.Admin, s.apiAudit))
}

func (s *Server) auditPage(w http.ResponseWriter, r *http.Request) {
	acts, err := s.deps.ReadAudit(listedAudit)
	if err != nil {
		s.unreadable(w, r, err)
		return
	}
	now, v := s.deps.Now(), &auditView{}
	for _, a := range acts {
		line := auditLine{At: a.Time, AtRFC: a.Time, Audit: a}
		if at, err := time.Parse(time.RFC3339Nano, a.Time); err == nil {
			line.At = figures.SaySince(at.UnixNano(), now)
		}
		v.Lines = append(v.Lines, line)
	}
	s.show(w, r, http.StatusOK, view{Title: joinWords(" – ", "Audit", s.deps.Site), Acts: v})
}

// apiAudit answers with the latest acts, the newest first.
func (s *Server) apiAudit(w http.ResponseWriter, r *http.Request) {
	limit := listedAudit
	if text := r.URL.Query().Get("limit"); text != "" {
		var err error
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > mostAudit {
			s.refuse(w, r, http.StatusBadRequest, "limit is a whole number from 1 to "+strconv.Itoa(mostAudit))
			return
		}
	}
	acts, err := s.deps.ReadAudit(limit)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	if acts == nil {
		acts = []Audit{}
	}
	s.answer(w, r, http.StatusOK, struct {
		Acts []Audit `json:"acts"`
	}{acts})
}

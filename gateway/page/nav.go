package page

import (
	"net/http"

	"gapward/gateway/accounts"
)

// nav lists the pages that every page leads to; the current one has a word.
func (s *Server) nav(r *http.Request) []linkView {
	links := []linkView{{Name: "Brakes", Path: "/"}, {Name: "Alarms", Path: "/alarms"}}
	if s.deps.Record != nil {
		if s.deps.Ledger != nil {
			links = append(links, linkView{Name: "Enter", Path: "/enter"})
		}
		links = append(links, linkView{Name: "Record", Path: "/report"})
	}
	if s.deps.ReadAudit != nil && visitorOf(r).Role >= accounts.Admin {
		links = append(links, linkView{Name: "Audit", Path: "/audit"})
	}
	for i := range links {
		if links[i].Path == r.URL.Path {
			links[i].Word = "current"
		}
	}
	return links
}

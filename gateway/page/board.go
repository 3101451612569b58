package page

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"gapward/gateway/figures"
)

// boardView is the board of all brakes.
type boardView struct {
	Counts   []countView
	Gateway  []alarmView
	Sources  []sourceView // those that don't answer
	Answers  string       // "3 of 3 sources answer"; empty where there are none
	Filter   filterView
	Groups   []groupView
	Pages    *pagesView // nil: all are on one
	Cautions []string   // where the board tells somebody to touch a brake
	NoBrakes bool
}

type countView struct {
	Level level
	N     int
	Words string
}

// sourceView is a device and whether it answers.
type sourceView struct {
	Device, Since, SinceRFC, Error string
	OK                             bool
}

func (s *Server) board(w http.ResponseWriter, r *http.Request) {
	f, ok := s.filterOf(w, r)
	if !ok {
		return
	}
	s.followed(w, r, func(g gathered) (view, error) { return s.boardView(g, f), nil })
}

func (s *Server) boardView(g gathered, f filter) view {
	b := s.viewBoard(g, f)
	return view{Title: boardTitle(b.Counts, s.deps.Site), Board: b}
}

// viewBoard puts where the brakes stand into words, as a filter has it.
func (s *Server) viewBoard(g gathered, f filter) *boardView {
	now := s.deps.Now()
	b := &boardView{Filter: s.viewFilter(f), Gateway: viewAlarms(g.gateway, now), NoBrakes: len(g.brakes) == 0}
	for i, a := range g.gateway {
		if a.Device != "" {
			b.Gateway[i].Title = a.Device + ": " + b.Gateway[i].Title
		}
	}
	var shown []*standing
	for i := range g.brakes {
		if f.shows(&g.brakes[i], now) {
			shown = append(shown, &g.brakes[i])
		}
		if b.Cautions == nil {
			b.Cautions = cautions(&g.brakes[i])
		}
	}
	b.Filter.Shown = len(shown)
	for _, some := range f.paged(f.grouped(shown)) {
		group := groupView{Heading: some.heading}
		for _, one := range some.brakes {
			group.Rows = append(group.Rows, viewRow(one, now))
		}
		b.Groups = append(b.Groups, group)
	}
	b.Pages = f.pages(len(shown))
	b.Counts = count(g.brakes)
	sources, answering := s.sources(now)
	for _, one := range sources {
		if !one.OK {
			b.Sources = append(b.Sources, one)
		}
	}
	if len(sources) > 0 {
		b.Answers = fmt.Sprintf("%d of %d sources answer", answering, len(sources))
	}
	return b
}

// sources lists the devices, and counts those that answer.
func (s *Server) sources(now time.Time) (all []sourceView, answering int) {
	for _, h := range s.deps.Health() {
		if h.OK {
			answering++
		}
		v := sourceView{Device: h.Device, OK: h.OK, Error: h.Error}
		if !h.Since.IsZero() {
			v.Since, v.SinceRFC = figures.SaySince(h.Since.UnixNano(), now), h.Since.UTC().Format(time.RFC3339)
		}
		all = append(all, v)
	}
	return all, answering
}

// levels lists how brakes are shown, the worst first, in words.
func levels() []countView {
	return []countView{{danger, 0, "stop or failed"}, {abnormal, 0, "abnormal"}, {notice, 0, "to plan"}, {unknown, 0, "not measured"}, {normal, 0, "in limits"}}
}

// count counts the brakes by how they are shown, the worst first, leaving out
// what there is none of.
func count(brakes []standing) []countView {
	counts := levels()
	var kept []countView
	for _, c := range counts {
		for i := range brakes {
			if brakes[i].level == c.Level {
				c.N++
			}
		}
		if c.N > 0 {
			kept = append(kept, c)
		}
	}
	return kept
}

// boardTitle tells the worst first, for a tab in the background.
func boardTitle(counts []countView, site string) string {
	var parts []string
	for _, c := range counts {
		if c.Level != normal {
			parts = append(parts, fmt.Sprintf("%d %s", c.N, c.Words))
		}
	}
	if len(parts) == 0 {
		return joinWords(" – ", "All in limits", site)
	}
	return joinWords(" – ", strings.Join(parts, ", "), site)
}

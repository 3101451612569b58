package page

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"gapward/gateway/figures"
)

// filter is which brakes the board shows and in what order. It stands in the
// address, so that a page on the wall keeps it and it works without script.
type filter struct {
	state string // a level; empty: all
	crane string
	chain string
	days  int    // due within so many days; 0: all
	by    string // grouping: empty, crane or chain
}

// filterView is the form above the board.
type filterView struct {
	States, Cranes, Chains, Bys []pickView
	Days                        string
	Active                      bool // something is filtered or grouped
	Shown, All                  int
}

// pickView is a choice of a list.
type pickView struct {
	Value, Words string
	Picked       bool
}

// groupView is a part of the board under a heading, which the whole board has
// none of.
type groupView struct {
	Heading string
	Rows    []rowView
}

// longestDue is how many days ahead the board can be asked about.
const longestDue = 3650

// parseFilter reads the filter of an address. What it can't mean is an error in
// words for who typed it.
func (s *Server) parseFilter(q url.Values) (f filter, err error) {
	f = filter{state: q.Get("state"), crane: q.Get("crane"), chain: q.Get("chain"), by: q.Get("by")}
	if f.state != "" && !slices.ContainsFunc(levels(), func(c countView) bool { return string(c.Level) == f.state }) {
		return f, fmt.Errorf("there is no state %q; it must be one of danger, abnormal, notice, unknown or normal", f.state)
	}
	if f.by != "" && f.by != "crane" && f.by != "chain" {
		return f, fmt.Errorf("there is no order by %q; it must be crane or chain, or left out for the worst first", f.by)
	}
	if text := q.Get("due"); text != "" {
		if f.days, err = strconv.Atoi(text); err != nil || f.days < 1 || f.days > longestDue {
			return f, fmt.Errorf("due is %q; write a whole number of days from 1 to %d", text, longestDue)
		}
	}
	return f, nil
}

// shows reports whether a brake passes. One is due where its adjusting limit is
// reached, or comes within the days with even odds.
func (f filter) shows(b *standing, now time.Time) bool {
	if f.state != "" && string(b.level) != f.state || f.crane != "" && b.brake.Crane != f.crane || f.chain != "" && b.brake.Chain != f.chain {
		return false
	}
	if f.days == 0 || ofState(b.verdict.State) != "" && b.judged {
		return true
	}
	at, ok := figures.When(b.adjust.DateNS.P50, now.Location())
	return b.foretold["adjust"] && ok && at.Before(now.AddDate(0, 0, f.days))
}

// grouped parts the rows, which come the worst first: the group with the worst
// brake comes first, and within it again the worst.
func (f filter) grouped(brakes []*standing, row func(*standing) rowView) []groupView {
	if f.by == "" {
		g := groupView{}
		for _, b := range brakes {
			g.Rows = append(g.Rows, row(b))
		}
		if len(g.Rows) == 0 {
			return nil
		}
		return []groupView{g}
	}
	var groups []groupView
	at := map[string]int{}
	for _, b := range brakes {
		heading := cmp.Or(b.brake.Crane, "No crane")
		if f.by == "chain" {
			heading = cmp.Or(b.brake.Chain, "In no holding chain")
		}
		i, ok := at[heading]
		if !ok {
			i = len(groups)
			at[heading] = i
			groups = append(groups, groupView{Heading: heading})
		}
		groups[i].Rows = append(groups[i].Rows, row(b))
	}
	return groups
}

// viewFilter is the form as it was sent.
func (s *Server) viewFilter(f filter) filterView {
	v := filterView{All: len(s.deps.Brakes), Active: f != filter{}}
	v.States = append(v.States, pickView{"", "any state", f.state == ""})
	for _, c := range levels() {
		v.States = append(v.States, pickView{string(c.Level), c.Words, string(c.Level) == f.state})
	}
	names := func(all string, picked string, of func(*Brake) string) []pickView {
		list, seen := []pickView{{"", all, picked == ""}}, map[string]bool{"": true}
		for i := range s.deps.Brakes {
			if name := of(&s.deps.Brakes[i]); !seen[name] {
				seen[name] = true
				list = append(list, pickView{name, name, name == picked})
			}
		}
		slices.SortStableFunc(list[1:], func(a, b pickView) int { return cmp.Compare(a.Value, b.Value) })
		return list
	}
	v.Cranes = names("all cranes", f.crane, func(b *Brake) string { return b.Crane })
	v.Chains = names("all holding chains", f.chain, func(b *Brake) string { return b.Chain })
	v.Bys = []pickView{{"", "the worst first", f.by == ""}, {"crane", "by crane", f.by == "crane"}, {"chain", "by holding chain", f.by == "chain"}}
	if f.days > 0 {
		v.Days = strconv.Itoa(f.days)
	}
	return v
}

// filterOf reads the filter of a request, or answers what is wrong with it.
func (s *Server) filterOf(w http.ResponseWriter, r *http.Request) (filter, bool) {
	f, err := s.parseFilter(r.URL.Query())
	if err != nil {
		s.show(w, r, http.StatusBadRequest, view{Title: "No such board", Message: sentence(err.Error())})
		return f, false
	}
	return f, true
}

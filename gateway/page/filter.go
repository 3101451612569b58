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
	from  int    // how many are on the pages before
}

// mostChoices is up to how many cranes or chains are listed to choose from; of
// more the name is typed.
const mostChoices = 40

// mostListed is up to how many brakes are listed to choose one: a thousand names
// would be most of what the page weighs.
const mostListed = 250

// filterView is the form above the board.
type filterView struct {
	States, Cranes, Chains, Bys []pickView
	Crane, Chain                string // as they were asked for
	Days                        string
	Active                      bool // something is filtered or grouped
	Shown, All                  int
}

// Many reports whether there are too many to be listed.
func (filterView) Many(list []pickView) bool { return len(list) > mostChoices }

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
	if text := q.Get("from"); text != "" {
		at, err := strconv.Atoi(text)
		if err != nil || at < 1 || at > 1_000_000 {
			return f, fmt.Errorf("from is %q; write which brake comes first, counted from 1", text)
		}
		f.from = (at - 1) / pageRows * pageRows
	}
	return f, nil
}

// pageRows is how many brakes the board shows at a time, so that it comes
// quickly and stays small however many there are.
const pageRows = 20

// pagesView leads through a board of several pages.
type pagesView struct {
	Words          string // which these are
	Before, Behind string // addresses; empty where there is no such page
}

// pages is the way through so many brakes; nil where one page has them all.
func (f filter) pages(shown int) *pagesView { return leaf(f.from, pageRows, shown, "", f.address) }

// address is the board's with the same filter from another brake on.
func (f filter) address(from int) string {
	q := url.Values{}
	for name, value := range map[string]string{"state": f.state, "crane": f.crane, "chain": f.chain, "by": f.by} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if f.days > 0 {
		q.Set("due", strconv.Itoa(f.days))
	}
	if from > 0 {
		q.Set("from", strconv.Itoa(from+1))
	}
	return "/?" + q.Encode()
}

// paged is what of the groups is on the page.
func (f filter) paged(groups []groupOf) (on []groupOf) {
	skip, room := f.from, pageRows
	for _, g := range groups {
		n := min(skip, len(g.brakes))
		skip -= n
		g.brakes = g.brakes[n:min(len(g.brakes), n+room)]
		if room -= len(g.brakes); len(g.brakes) > 0 {
			on = append(on, g)
		}
	}
	return on
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

// groupOf are the brakes that stand under one heading.
type groupOf struct {
	heading string
	brakes  []*standing
}

// grouped parts the brakes, which come the worst first: the group with the worst
// brake comes first, and within it again the worst.
func (f filter) grouped(brakes []*standing) (groups []groupOf) {
	at := map[string]int{}
	for _, b := range brakes {
		heading := ""
		switch f.by {
		case "crane":
			heading = cmp.Or(b.brake.Crane, "No crane")
		case "chain":
			heading = cmp.Or(b.brake.Chain, "In no holding chain")
		}
		i, ok := at[heading]
		if !ok {
			i = len(groups)
			at[heading] = i
			groups = append(groups, groupOf{heading: heading})
		}
		groups[i].brakes = append(groups[i].brakes, b)
	}
	return groups
}

// viewFilter is the form as it was sent.
func (s *Server) viewFilter(f filter) filterView {
	plain := f
	plain.from = 0
	v := filterView{All: len(s.deps.Brakes), Active: plain != filter{}}
	v.States = append(v.States, pickView{"", "any state", f.state == ""})
	for _, c := range levels() {
		v.States = append(v.States, pickView{string(c.Level), c.Words, string(c.Level) == f.state})
	}
	v.Crane, v.Chain = f.crane, f.chain
	v.Cranes = s.choices("all cranes", f.crane, func(b *Brake) string { return b.Crane })
	v.Chains = s.choices("all holding chains", f.chain, func(b *Brake) string { return b.Chain })
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

package page

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"gapward/alerts"
	"gapward/analysis"
)

// How many alarms and changes of them the page shows at a time, and among how
// many of the latest changes a filter looks.
const (
	pageAlarms   = 20
	pageChanges  = 50
	changesReach = 5000
)

// alarmFilter is which alarms are shown, and which page of them. It stands in
// the address, as the board's does.
type alarmFilter struct {
	brake, crane, chain string
	state               string // of the alarm's life; empty: all
	condition           analysis.Condition
	from                int // how many alarms are on the pages before …
	past                int // … and how many changes
}

// alarmStates are those that an alarm can be looked for by, in words.
func alarmStates() []pickView {
	var list []pickView
	for _, s := range []struct {
		state alerts.State
		words string
	}{{alerts.Unacknowledged, "not acknowledged"}, {alerts.Acknowledged, "acknowledged"}, {alerts.Returned, "gone, not acknowledged"},
		{alerts.Shelved, "shelved"}, {alerts.Suppressed, "suppressed"}, {alerts.NotInService, "out of service"}} {
		list = append(list, pickView{Value: s.state.String(), Words: s.words})
	}
	return list
}

// parseAlarmFilter reads the filter of an address. What it can't mean is an
// error in words for who typed it.
func (s *Server) parseAlarmFilter(q url.Values) (f alarmFilter, err error) {
	f = alarmFilter{brake: strings.TrimSpace(q.Get("brake")), crane: strings.TrimSpace(q.Get("crane")), chain: strings.TrimSpace(q.Get("chain")), state: q.Get("state"), condition: analysis.Condition(q.Get("condition"))}
	states := alarmStates()
	if f.state != "" && !slices.ContainsFunc(states, func(p pickView) bool { return p.Value == f.state }) {
		var names []string
		for _, p := range states {
			names = append(names, p.Value)
		}
		return f, fmt.Errorf("there is no state %q of an alarm; it must be one of %s", f.state, strings.Join(names, ", "))
	}
	if _, known := conditionOf(string(f.condition)); f.condition != "" && !known {
		return f, fmt.Errorf("there is no condition %q; leave it out for all, or pick one from the list", f.condition)
	}
	if f.brake != "" && s.byName[f.brake] == nil {
		return f, fmt.Errorf("the site has no brake called %q; write its name as on the board, or leave it out for all", f.brake)
	}
	for _, page := range []struct {
		key, what string
		size      int
		to        *int
	}{{"from", "alarm", pageAlarms, &f.from}, {"past", "change", pageChanges, &f.past}} {
		if text := q.Get(page.key); text != "" {
			n, err := strconv.Atoi(text)
			if err != nil || n < 1 || n > 1_000_000 {
				return f, fmt.Errorf("%s is %q; write which %s comes first, counted from 1", page.key, text, page.what)
			}
			*page.to = (n - 1) / page.size * page.size
		}
	}
	return f, nil
}

// concerns reports whether an alarm, or a change of one, is of what was asked
// for.
func (f alarmFilter) concerns(s *Server, e alerts.Event) bool {
	if f.brake != "" && e.Brake != f.brake || f.condition != "" && e.Condition != f.condition {
		return false
	}
	if f.crane == "" && f.chain == "" {
		return true
	}
	b := s.byName[e.Brake]
	return b != nil && (f.crane == "" || b.Crane == f.crane) && (f.chain == "" || b.Chain == f.chain)
}

// shows reports whether an alarm that isn't normal is shown.
func (f alarmFilter) shows(s *Server, e alerts.Event) bool {
	return f.concerns(s, e) && (f.state == "" || e.State.String() == f.state)
}

// everything is the filter without its pages; its zero value leaves nothing out.
func (f alarmFilter) everything() alarmFilter {
	f.from, f.past = 0, 0
	return f
}

// address is the page's with the same filter, from another alarm and change on.
func (f alarmFilter) address(from, past int) string {
	q := url.Values{}
	for name, value := range map[string]string{"brake": f.brake, "crane": f.crane, "chain": f.chain, "state": f.state, "condition": string(f.condition)} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if from > 0 {
		q.Set("from", strconv.Itoa(from+1))
	}
	if past > 0 {
		q.Set("past", strconv.Itoa(past+1))
	}
	if len(q) == 0 {
		return "/alarms"
	}
	return "/alarms?" + q.Encode()
}

// leaf leads through so many of something that is shown in pages of a size; nil
// where one page has them all. to is the address of the page that begins there.
func leaf(from, size, all int, more string, to func(from int) string) *pagesView {
	if all <= size && from == 0 {
		return nil
	}
	v := &pagesView{Words: fmt.Sprintf("%d to %d of %d%s", min(from+1, all), min(from+size, all), all, more)}
	if from > 0 {
		v.Before = to(max(0, min(from, (all-1)/size*size+size)-size))
	}
	if from+size < all {
		v.Behind = to(from + size)
	}
	return v
}

// cut is what of a list is on the page that begins at from.
func cut[T any](list []T, from, size int) []T {
	from = min(from, len(list))
	return list[from:min(from+size, len(list))]
}

// alarmFilterView is the form above the alarms.
type alarmFilterView struct {
	Brakes, Cranes, Chains, States, Conditions []pickView
	Brake, Crane, Chain                        string
	Active                                     bool // something is left out
	Shown, All                                 int
}

// Many reports whether there are too many to be listed.
func (alarmFilterView) Many(list []pickView) bool { return len(list) > mostChoices }

func (s *Server) viewAlarmFilter(f alarmFilter) alarmFilterView {
	v := alarmFilterView{Brake: f.brake, Crane: f.crane, Chain: f.chain, Active: f.everything() != alarmFilter{}}
	v.Brakes = s.choices("all brakes", f.brake, func(b *Brake) string { return b.Name })
	v.Cranes = s.choices("all cranes", f.crane, func(b *Brake) string { return b.Crane })
	v.Chains = s.choices("all holding chains", f.chain, func(b *Brake) string { return b.Chain })
	v.States = append([]pickView{{"", "any state", f.state == ""}}, alarmStates()...)
	for i := range v.States[1:] {
		v.States[1+i].Picked = v.States[1+i].Value == f.state
	}
	v.Conditions = []pickView{{"", "any condition", f.condition == ""}}
	for _, c := range alerts.Conditions() {
		v.Conditions = append(v.Conditions, pickView{string(c), alerts.Title(c), c == f.condition})
	}
	return v
}

// choices lists what the brakes have by name, in the order of the alphabet, with
// all of them first.
func (s *Server) choices(all, picked string, of func(*Brake) string) []pickView {
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

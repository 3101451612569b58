package page

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/accounts"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// How many changes of alarms the page lists, and by a link more.
const (
	listedChanges = 50
	moreChanges   = 1000
)

// alarmsView is the page of all alarms.
type alarmsView struct {
	Brake     string // only this one's; empty: all
	Calling   []alarmCard
	Gone      []alarmCard // to be acknowledged all the same
	Held      []alarmCard
	History   []changeView
	More      string // address of a longer history; empty where there is none
	Cautions  []string
	MayAct    bool
	WhyNot    string   // why not
	NeedsName bool     // who acts must say who they are
	Shelf     []choice // how long an alarm may be shelved
	To        string   // where a form leads back to
	Done      string   // what has just been done
	Wrong     string   // why it has not
}

type choice struct{ Value, Words string }

// alarmCard is an alarm with what can be done about it.
type alarmCard struct {
	alarmView
	Subject  string
	Link     linkView // to the brake; no path where it is about none
	Key      keyView
	CanAck   bool
	CanShelf bool
	CanEnd   bool   // its shelving
	HeldBy   string // what holds it back, in words
	Urgency  int
}

// keyView tells a form's alarm.
type keyView struct{ Brake, Device, Condition string }

// changeView is a line of the history.
type changeView struct {
	At, AtRFC, Words string
	Subject          string
	Path             string
}

func (s *Server) alarmRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /alarms", s.alarmsPage)
	if s.deps.Alarms == nil {
		return
	}
	mux.HandleFunc("POST /alarms", s.allowed(accounts.Technician, s.actByForm))
	mux.HandleFunc("POST /api/alarms", s.allowed(accounts.Technician, s.apiAct))
}

func (s *Server) alarmsPage(w http.ResponseWriter, r *http.Request) {
	v, err := s.viewAlarmsPage(r)
	if err != nil {
		s.unreadable(w, r, err)
		return
	}
	v.Done = r.URL.Query().Get("done")
	if !slices.Contains([]string{"", "acknowledged", "shelved", "unshelved"}, v.Done) {
		v.Done = ""
	}
	s.show(w, r, http.StatusOK, view{Title: alarmsTitle(v, s.deps.Site), Alarms: v})
}

func alarmsTitle(v *alarmsView, site string) string {
	n := 0
	for _, a := range v.Calling {
		if a.CanAck {
			n++
		}
	}
	words := "Alarms"
	if n > 0 {
		words = fmt.Sprintf("%d to acknowledge", n)
	}
	return joinWords(" – ", words, v.Brake, site)
}

func (s *Server) viewAlarmsPage(r *http.Request) (*alarmsView, error) {
	now := s.deps.Now()
	query := r.URL.Query()
	v := &alarmsView{Shelf: shelfChoices(), To: "/alarms"}
	if b := query.Get("brake"); s.byName[b] != nil {
		v.Brake, v.To = b, "/alarms?"+url.Values{"brake": {b}}.Encode()
	}
	v.MayAct, v.WhyNot, v.NeedsName = s.mayAct(r)
	standing, err := s.deps.Data.ActiveAlarms(r.Context())
	if err != nil {
		return nil, err
	}
	limit := listedChanges
	if query.Get("all") == "1" {
		limit = moreChanges
	}
	history, err := s.deps.Data.Alarms(r.Context(), v.Brake, limit)
	if err != nil {
		return nil, err
	}
	for _, a := range standing {
		if v.Brake != "" && a.Brake != v.Brake || a.Brake != "" && s.byName[a.Brake] == nil {
			continue
		}
		switch card := s.cardOf(a.Event, now); {
		case a.State.Held():
			v.Held = append(v.Held, card)
		case a.State.Active():
			v.Calling = append(v.Calling, card)
		default:
			v.Gone = append(v.Gone, card)
		}
	}
	for _, list := range [][]alarmCard{v.Calling, v.Gone, v.Held} {
		slices.SortStableFunc(list, func(a, b alarmCard) int {
			return cmp.Or(-cmp.Compare(yes(a.CanAck), yes(b.CanAck)), cmp.Compare(a.Urgency, b.Urgency))
		})
	}
	if len(v.Calling) > 0 {
		v.Cautions = alerts.Cautions()
	}
	for _, a := range history {
		v.History = append(v.History, s.changeOf(a, now))
	}
	if len(history) == limit && limit == listedChanges {
		more := url.Values{"all": {"1"}}
		if v.Brake != "" {
			more.Set("brake", v.Brake)
		}
		v.More = "/alarms?" + more.Encode() + "#history"
	}
	return v, nil
}

func yes(b bool) int {
	if b {
		return 1
	}
	return 0
}

// mayAct reports whether who asks may act on alarms, or why not.
func (s *Server) mayAct(r *http.Request) (may bool, why string, needsName bool) {
	who := visitorOf(r)
	switch {
	case s.deps.Alarms == nil:
		return false, "", false
	case who.Role >= accounts.Technician:
		return true, "", who.Name == ""
	case s.deps.Accounts == nil:
		return false, "Alarms are acknowledged and shelved at the gateway's own machine, as there are no accounts.", false
	case who.Name == "":
		return false, "Sign in to acknowledge or shelve alarms.", false
	}
	return false, "Your account is for reading.", false
}

func shelfChoices() []choice {
	return []choice{{"1h", "1 hour"}, {"4h", "4 hours"}, {"8h", "8 hours, a shift"}, {"24h", "1 day"}, {"72h", "3 days"}, {"168h", "7 days"}}
}

func (s *Server) cardOf(e alerts.Event, now time.Time) alarmCard {
	c := alarmCard{alarmView: viewAlarm(e, now), Subject: alerts.Subject(e), Key: keyView{e.Brake, e.Device, string(e.Condition)},
		CanAck: e.State == alerts.Unacknowledged || e.State == alerts.Returned, CanShelf: e.State != alerts.Shelved && e.State != alerts.Normal,
		CanEnd: e.Marks&alerts.MarkShelved != 0, Urgency: alerts.Urgency(e.Condition)}
	if e.Brake != "" {
		c.Link = linkView{Name: e.Brake, Path: pathOf("/brake/", e.Brake)}
	}
	if e.State.Held() {
		c.HeldBy, c.First = heldWords(e, now), ""
	}
	return c
}

// heldWords says what holds an alarm back, and whether its condition stands.
func heldWords(e alerts.Event, now time.Time) string {
	words := "Its condition has gone."
	if e.Marks&alerts.MarkStanding != 0 {
		words = "Its condition stands since " + figures.SaySince(e.SinceNS, now) + "."
	}
	by := ""
	if e.By != "" {
		by = " by " + e.By
	}
	switch e.State {
	case alerts.Shelved:
		return fmt.Sprintf("Shelved%s until %s: %s. %s", by, figures.SayUntil(e.UntilNS, now), e.Reason, words)
	case alerts.Suppressed:
		return fmt.Sprintf("Suppressed, because %s. %s", e.Reason, words)
	}
	return fmt.Sprintf("Out of service%s%s. %s", by, within(e.Reason), words)
}

func within(reason string) string {
	if reason == "" {
		return ""
	}
	return ": " + reason
}

func (s *Server) changeOf(a store.AlarmRow, now time.Time) changeView {
	v := viewAlarm(a.Event, now)
	c := changeView{At: v.At, AtRFC: v.AtRFC, Subject: alerts.Subject(a.Event)}
	if s.byName[a.Brake] != nil {
		c.Path = pathOf("/brake/", a.Brake)
	}
	c.Words = v.Title + " " + changeWords(a.Event, now)
	if v.Value.Known() && (a.Change == alerts.Raised || a.Change == alerts.Cleared) {
		c.Words += ", " + v.Value.String()
	}
	if a.Detail != "" {
		c.Words += ". " + a.Detail
	}
	return c
}

// changeWords says what happened to an alarm.
func changeWords(e alerts.Event, now time.Time) string {
	by := ""
	if e.By != "" {
		by = " by " + e.By
	}
	held := ""
	if e.State.Held() {
		held = " while " + map[alerts.State]string{alerts.Shelved: "shelved", alerts.Suppressed: "suppressed", alerts.NotInService: "out of service"}[e.State]
	}
	switch e.Change {
	case alerts.Raised:
		return "came" + held
	case alerts.Cleared:
		return "went" + held
	case alerts.ShelvedBy:
		return fmt.Sprintf("was shelved%s until %s: %s", by, figures.SayUntil(e.UntilNS, now), e.Reason)
	case alerts.Unshelved:
		if e.By == "" {
			return "is no longer shelved, its time is up"
		}
		return "is no longer shelved" + by
	case alerts.SuppressedBy:
		return "was suppressed: " + e.Reason
	case alerts.Unsuppressed:
		return "is no longer suppressed"
	case alerts.PutOut:
		return "is out of service" + by
	case alerts.PutIn:
		return "is back in service" + by
	case alerts.Reminded:
		return "was told again"
	case alerts.Escalated:
		return "was told to the second addresses"
	}
	return "was " + e.Change.String() + by
}

// alarmsOn lists what stands for a brake's own page, held back or not.
func alarmsOn(rows []store.AlarmRow, now time.Time) (held []string) {
	for _, a := range rows {
		held = append(held, alerts.Title(a.Condition)+": "+heldWords(a.Event, now))
	}
	return held
}

// conditionOf reads a condition of a form or a body.
func conditionOf(text string) (analysis.Condition, bool) {
	c := analysis.Condition(text)
	return c, slices.Contains(alerts.Conditions(), c)
}

package page

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/accounts"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// alarmsView is the page of all alarms.
type alarmsView struct {
	Brake     string // only this one's; empty: all
	Calling   []alarmCard
	Gone      []alarmCard // to be acknowledged all the same
	Held      []alarmCard
	Filter    alarmFilterView
	Pages     *pagesView // of alarms; nil: all are on one
	None      string     // why no alarm is shown
	History   []changeView
	Older     *pagesView // of the history
	ToAck     int        // of all that are like that, on whatever page
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
	f, err := s.parseAlarmFilter(r.URL.Query())
	if err != nil {
		s.show(w, r, http.StatusBadRequest, view{Title: "No such alarms", Message: sentence(err.Error())})
		return
	}
	v, err := s.viewAlarmsPage(r, f)
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
	words := "Alarms"
	if v.ToAck > 0 {
		words = fmt.Sprintf("%d to acknowledge", v.ToAck)
	}
	return joinWords(" – ", words, v.Brake, site)
}

func (s *Server) viewAlarmsPage(r *http.Request, f alarmFilter) (*alarmsView, error) {
	now := s.deps.Now()
	v := &alarmsView{Brake: f.brake, Shelf: shelfChoices(), To: f.address(f.from, f.past), Filter: s.viewAlarmFilter(f)}
	v.MayAct, v.WhyNot, v.NeedsName = s.mayAct(r)
	standing, err := s.deps.Data.ActiveAlarms(r.Context())
	if err != nil {
		return nil, err
	}
	var cards [3][]alarmCard // calling, gone, held
	for _, a := range standing {
		if a.Brake != "" && s.byName[a.Brake] == nil {
			continue
		}
		if v.Filter.All++; !f.shows(s, a.Event) {
			continue
		}
		v.Filter.Shown++
		at := 1
		switch {
		case a.State.Held():
			at = 2
		case a.State.Active():
			at = 0
		}
		cards[at] = append(cards[at], s.cardOf(a.Event, now))
	}
	var all []alarmCard
	for _, list := range cards {
		slices.SortStableFunc(list, func(a, b alarmCard) int {
			return cmp.Or(-cmp.Compare(yes(a.CanAck), yes(b.CanAck)), cmp.Compare(a.Urgency, b.Urgency))
		})
		all = append(all, list...)
	}
	for i := range all {
		if all[i].CanAck {
			v.ToAck++
		}
	}
	if f.from >= len(all) { // what stood there has ended or been acknowledged
		f.from = max(0, len(all)-1) / pageAlarms * pageAlarms
	}
	v.Pages = leaf(f.from, pageAlarms, len(all), "", func(from int) string { return f.address(from, f.past) })
	for i, card := range cut(all, f.from, pageAlarms) {
		switch at := f.from + i; {
		case at < len(cards[0]):
			v.Calling = append(v.Calling, card)
		case at < len(cards[0])+len(cards[1]):
			v.Gone = append(v.Gone, card)
		default:
			v.Held = append(v.Held, card)
		}
	}
	switch {
	case len(cards[0]) > 0:
		v.Cautions = alerts.Cautions()
	case v.Filter.Active:
		v.None = "No alarm that stands is like that."
	default:
		v.None = "No alarm stands."
	}
	return v, s.addHistory(r.Context(), v, f, now)
}

// addHistory adds the page of what has changed.
func (s *Server) addHistory(ctx context.Context, v *alarmsView, f alarmFilter, now time.Time) error {
	changes, more, err := s.changes(ctx, f, f.past+pageChanges)
	if err != nil {
		return err
	}
	if f.past >= len(changes) {
		f.past = max(0, len(changes)-1) / pageChanges * pageChanges
	}
	for _, a := range cut(changes, f.past, pageChanges) {
		v.History = append(v.History, s.changeOf(a, now))
	}
	v.Older = leaf(f.past, pageChanges, len(changes), more, func(past int) string { return f.address(f.from, past) + "#history" })
	return nil
}

// changes reads the latest changes of alarms that a filter leaves, at least so
// many where there are; more says that there may be others before them.
func (s *Server) changes(ctx context.Context, f alarmFilter, least int) (changes []store.AlarmRow, more string, err error) {
	reach := least + 1
	if f.crane != "" || f.chain != "" || f.condition != "" || f.past > 0 {
		reach = max(reach, changesReach)
	}
	rows, err := s.deps.Data.Alarms(ctx, f.brake, reach)
	if err != nil {
		return nil, "", err
	}
	for _, a := range rows {
		if f.concerns(s, a.Event) {
			changes = append(changes, a)
		}
	}
	if len(rows) == reach {
		more = " and more"
	}
	return changes, more, nil
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
	c.Words = v.Title + ": " + changeWords(a.Event, now)
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
		return "raised" + held
	case alerts.Cleared:
		return "cleared" + held
	case alerts.ShelvedBy:
		return fmt.Sprintf("shelved%s until %s: %s", by, figures.SayUntil(e.UntilNS, now), e.Reason)
	case alerts.Unshelved:
		if e.By == "" {
			return "no longer shelved, its time is up"
		}
		return "no longer shelved" + by
	case alerts.SuppressedBy:
		if e.State == alerts.Shelved {
			return "suppressed besides" + held
		}
		return "suppressed, because " + e.Reason
	case alerts.Unsuppressed:
		return "no longer suppressed"
	case alerts.PutOut:
		return "out of service" + by
	case alerts.PutIn:
		return "back in service" + by
	case alerts.Reminded:
		return "told again"
	case alerts.Escalated:
		return "told to the second addresses"
	}
	return e.Change.String() + by
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

package page

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/gateway/accounts"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// view is what the templates are given. One of its parts is set.
type view struct {
	Site, Demo, Version string
	Title               string
	Zone                string // name of the time zone of all times shown
	AsOf, AsOfDay       string // when it was made; the latter with the day, as it is printed
	Live                bool   // the page's script keeps it up to date
	Board               *boardView
	Brake               *brakeView
	Alarms              *alarmsView
	SignIn              *signInView
	Enter               *enterView
	Record              *recordView
	Acts                *auditView
	Visitor             visitor
	Accounts            bool // there are accounts, so one can sign in
	Nav                 []linkView
	Message             string // in place of a board or a brake
}

// alarmView is an alarm, or one of its events, in words.
type alarmView struct {
	Title, First string
	Why          string // the detail, where there is one
	Level        level
	Active       bool
	Value        figures.Figure
	Limit        figures.Figure
	Since        string
	SinceRFC     string
	State        string // where it is in its life, in words
	Change       string // of an event: raised, cleared, acknowledged
	At           string // of an event
	AtRFC        string
}

func viewAlarm(a alerts.Event, now time.Time) alarmView {
	_, l := headline(a.Condition)
	v := alarmView{
		Title: alerts.Title(a.Condition), First: alerts.FirstStep(a.Condition), Why: a.Detail, Level: l, Active: a.State.Active(),
		Value: figures.OfAlarm(a.Value, a.U, a.Unit),
		Limit: figures.OfLimit(a.Limit, a.Value, a.Unit),
		Since: figures.SaySince(a.SinceNS, now), SinceRFC: rfc(a.SinceNS),
		Change: a.Change.String(), At: figures.SaySince(a.AtNS, now), AtRFC: rfc(a.AtNS),
	}
	if a.Signal != "" {
		v.Title += " (" + a.Signal + ")"
	}
	switch a.State {
	case alerts.Unacknowledged:
		v.State = "not acknowledged"
	case alerts.Acknowledged:
		v.State = "acknowledged"
		if a.By != "" {
			v.State += " by " + a.By
		}
	case alerts.Returned:
		v.State = "gone since " + figures.SaySince(a.AtNS, now) + ", not acknowledged"
		v.Level = notice
		v.First = ""
	}
	if a.Change == alerts.Acked && a.By != "" {
		v.Change += " by " + a.By
	}
	return v
}

func viewAlarms(rows []store.AlarmRow, now time.Time) []alarmView {
	views := make([]alarmView, len(rows))
	for i, a := range rows {
		views[i] = viewAlarm(a.Event, now)
	}
	return views
}

// timeView is a release or set time beside its limit.
type timeView struct {
	figures.Figure
	Limit string // "250 ms"; empty where none is set
	Slow  bool
}

func viewTime(s, uS float64, limit time.Duration) timeView {
	v := timeView{Figure: figures.Milliseconds(s, uS)}
	if limit > 0 {
		v.Limit = fmt.Sprintf("%d ms", limit.Milliseconds())
		v.Slow = s > limit.Seconds() // false where unknown
	}
	return v
}

// rowView is a brake on the board, and the head of its own page.
type rowView struct {
	ID, Name, Path string
	Parts          []string // the name in pieces, between which a line may break
	About          string   // kind, model, chain
	Word           string
	Level          level
	Gap            figures.Figure
	Margin         string
	Picture        picture
	Release, Set   timeView
	Outlook        string
	Alarms         []alarmView
	Held           []string // alarms that are held back, in words
	Ago            string   // how long ago its latest cycle was
	AtRFC          string
}

func viewRow(s *standing, now time.Time) rowView {
	b := s.brake
	r := rowView{
		ID: "brake-" + b.Name, Name: b.Name, Path: pathOf("/brake/", b.Name), Parts: strings.SplitAfter(b.Name, "/"),
		About: joinWords(" · ", kindWords(b.Kind), b.Model),
		Word:  s.word, Level: s.level, Margin: figures.Tied(s.margin()), Picture: pictureOf(s),
		Outlook: figures.Tied(s.outlook(now)), Alarms: viewAlarms(s.alarms, now), Held: alarmsOn(s.held, now),
	}
	if s.judged {
		r.Gap = figures.Gap(s.verdict.GapMM, s.verdict.GapUMM)
		r.Release = viewTime(s.verdict.ReleaseS, s.verdict.ReleaseUS, b.Timing.Release)
		r.Set = viewTime(s.verdict.SetS, s.verdict.SetUS, b.Timing.Set)
		r.Ago = figures.SayAgo(now.Sub(time.Unix(0, s.verdict.AtNS)))
		r.AtRFC = rfc(s.verdict.AtNS)
	}
	return r
}

// kindWords is the brake's construction as a noun.
func kindWords(kind string) string {
	if kind == "" {
		return ""
	}
	return kind + " brake"
}

func joinWords(between string, words ...string) string {
	var kept []string
	for _, w := range words {
		if w != "" {
			kept = append(kept, w)
		}
	}
	return strings.Join(kept, between)
}

// pathOf is an address that ends with a brake's name.
func pathOf(prefix, name string) string {
	parts := strings.Split(name, "/")
	for i, p := range parts {
		parts[i] = url.PathEscape(p)
	}
	return prefix + strings.Join(parts, "/")
}

func rfcNano(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }

func rfc(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339) }

// render makes a page, or another template of it; r is whose page it is, nil
// for what is the same for everybody.
func (s *Server) render(name string, r *http.Request, v view) ([]byte, error) {
	now := s.deps.Now()
	v.Site, v.Demo, v.Version = s.deps.Site, s.deps.Demo, s.deps.Version
	v.Accounts = s.deps.Accounts != nil
	if r != nil {
		if v.Visitor = visitorOf(r); v.Visitor.Role >= accounts.View {
			v.Nav = s.nav(r)
		}
		// What answers a form stands until its reader has read it, and a form
		// that is being filled in stays as it is.
		v.Live = r.Method == http.MethodGet && (v.Board != nil || v.Brake != nil || v.Alarms != nil)
	}
	v.Zone, v.AsOf, v.AsOfDay = zoneName(now), now.Format("15:04:05"), now.Format(time.RFC1123)
	var page bytes.Buffer
	err := s.pages.ExecuteTemplate(&page, name, v)
	return page.Bytes(), err
}

// show sends a page, or its main part alone where the page's own script asks.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, v view) {
	name := "page"
	if isPart(r) {
		name = "main"
	}
	// Into memory first: a template that fails halfway must not look like a
	// page.
	var page []byte
	err := s.makes(r.Context(), func() (err error) {
		page, err = s.render(name, r, v)
		return err
	})
	if err != nil {
		if r.Context().Err() != nil {
			return // the client has left
		}
		s.deps.Log.Error("making a page failed", "path", r.URL.Path, "error", err)
		http.Error(w, "the page could not be made; the gateway's log says why", http.StatusInternalServerError)
		return
	}
	send(w, status, page)
}

func send(w http.ResponseWriter, status int, page []byte) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(page) // the client is gone if it fails
}

// unreadable tells that the store could not be read.
func (s *Server) unreadable(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the client has left
	}
	s.deps.Log.Error("reading for a page failed", "path", r.URL.Path, "error", err)
	s.show(w, r, http.StatusInternalServerError, view{Title: "Not readable",
		Message: "The stored figures can't be read just now, so there is nothing here to rely on. Inspect the brakes by hand as before. The gateway's log says what is wrong."})
}

func (s *Server) nothing(w http.ResponseWriter, r *http.Request) {
	s.show(w, r, http.StatusNotFound, view{Title: "Not here", Message: "There is no page at this address."})
}

// zoneName is the page's time zone as people call it.
func zoneName(now time.Time) string {
	name, offset := now.Zone()
	if name == "" || name[0] == '+' || name[0] == '-' {
		return "UTC" + now.Format("-07:00")
	}
	if offset == 0 {
		return name
	}
	return name + " (UTC" + now.Format("-07:00") + ")"
}

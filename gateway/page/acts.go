package page

import (
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gapward/alerts"
)

// wantedAct is an act on an alarm as somebody sends it: a form's fields, or the
// interface's body.
type wantedAct struct {
	Brake     string `json:"brake,omitempty"`
	Device    string `json:"device,omitempty"`
	Condition string `json:"condition"`
	Do        string `json:"do"` // acknowledge, shelve or unshelve
	By        string `json:"by,omitempty"`
	Reason    string `json:"reason,omitempty"`
	For       string `json:"for,omitempty"` // how long it is to be shelved, as 8h
}

// mostBy is how many characters a name may have.
const mostBy = 80

// read checks what somebody wants. The name of an account stands above the name
// that is sent.
func (a wantedAct) read(who visitor, now time.Time) (Act, error) {
	by := strings.TrimSpace(a.By)
	if who.Name != "" {
		by = who.Name
	}
	c, ok := conditionOf(a.Condition)
	act := Act{Key: alerts.Key{Brake: a.Brake, Device: a.Device, Condition: c}, By: by, Reason: strings.TrimSpace(a.Reason)}
	switch {
	case !ok:
		return act, fmt.Errorf("there is no condition %q", a.Condition)
	case by == "":
		return act, errors.New("your name is missing: an alarm is acknowledged or shelved by somebody")
	case utf8.RuneCountInString(by) > mostBy || !utf8.ValidString(by) || strings.ContainsFunc(by+act.Reason, unicode.IsControl):
		return act, fmt.Errorf("name and reason must be readable text on one line, the name of %d characters at most", mostBy)
	}
	switch a.Do {
	case "acknowledge":
		act.Do, act.Reason = alerts.Acked, ""
	case "unshelve":
		act.Do, act.Reason = alerts.Unshelved, ""
	case "shelve":
		d, err := time.ParseDuration(a.For)
		if err != nil {
			return act, errors.New("how long it is to be shelved is missing: write it as 8h")
		}
		act.Do, act.UntilNS = alerts.ShelvedBy, now.Add(d).UnixNano()
		if err := alerts.CheckShelf(now.UnixNano(), act.UntilNS, act.Reason); err != nil {
			return act, err
		}
	default:
		return act, fmt.Errorf("%q is nothing that is done to an alarm: it is acknowledge, shelve or unshelve", a.Do)
	}
	return act, nil
}

// carryOut does it and writes it down.
func (s *Server) carryOut(r *http.Request, want wantedAct) (alerts.Event, error) {
	act, err := want.read(visitorOf(r), s.deps.Now())
	var e alerts.Event
	if err == nil {
		e, err = s.deps.Alarms.Act(r.Context(), act)
	} else {
		err = &badAct{err}
	}
	a := Audit{Who: act.By, Did: want.Do, About: strings.TrimSpace(want.Brake + want.Device + " " + want.Condition + " " + act.Reason), Outcome: "done"}
	if err != nil {
		a.Outcome = err.Error()
	}
	s.audit(r, a)
	return e, err
}

// badAct is an act that can't be meant.
type badAct struct{ error }

// statusOf is the HTTP status of what became of an act.
func statusOf(err error) int {
	if _, ok := errors.AsType[*badAct](err); ok {
		return http.StatusUnprocessableEntity
	}
	if errors.Is(err, ErrNothingToDo) {
		return http.StatusConflict
	}
	return http.StatusServiceUnavailable
}

// actByForm does what a form asks for and leads back, so that loading that page
// again does nothing twice.
func (s *Server) actByForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		s.turnAway(w, r, http.StatusBadRequest, "the form can't be read")
		return
	}
	f := r.PostForm
	want := wantedAct{Brake: f.Get("brake"), Device: f.Get("device"), Condition: f.Get("condition"), Do: f.Get("do"),
		By: f.Get("by"), Reason: f.Get("reason"), For: f.Get("for")}
	e, err := s.carryOut(r, want)
	if err != nil {
		var shown alarmFilter
		if to, parseErr := url.Parse(ownPath(f.Get("to"))); parseErr == nil {
			if shown, parseErr = s.parseAlarmFilter(to.Query()); parseErr != nil {
				shown = alarmFilter{}
			}
		}
		v, readErr := s.viewAlarmsPage(r, shown)
		if readErr != nil {
			s.unreadable(w, r, readErr)
			return
		}
		v.Wrong = sentence(err.Error())
		s.show(w, r, statusOf(err), view{Title: alarmsTitle(v, s.deps.Site), Alarms: v})
		return
	}
	to, err := url.Parse(ownPath(f.Get("to")))
	if err != nil || to.Path == "/" {
		to = &url.URL{Path: "/alarms"}
	}
	q := to.Query()
	q.Set("done", e.Change.String())
	to.RawQuery = q.Encode()
	http.Redirect(w, r, to.String(), http.StatusSeeOther)
}

// apiAct does the same for machines.
func (s *Server) apiAct(w http.ResponseWriter, r *http.Request) {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		s.refuse(w, r, http.StatusUnsupportedMediaType, "send it as application/json")
		return
	}
	var want wantedAct
	in := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostForm))
	in.DisallowUnknownFields()
	if err := in.Decode(&want); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "it can't be read: "+unreadable(err))
		return
	}
	e, err := s.carryOut(r, want)
	if err != nil {
		s.refuse(w, r, statusOf(err), err.Error())
		return
	}
	s.answer(w, r, http.StatusOK, json.RawMessage(e.AppendJSON(nil)))
}

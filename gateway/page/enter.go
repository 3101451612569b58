package page

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gapward/analysis"
	"gapward/gateway/accounts"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

// enterView is the page on which people write into the ledger of a brake.
type enterView struct {
	Brakes    []choice
	Many      bool   // too many to be listed
	Brake     string // the one chosen; empty: none yet
	Path      string // of its own page
	MayAct    bool
	WhyNot    string
	NeedsName bool
	Done      string // what was just entered
	Wrong     string // why it was not
	Kinds     []kindView
	Now       string // as the browser's field for a time has it
	Retest    string
	RetestDue bool
	Steps     []string // the checklist after work
	Offer     *offerView
	Bias      string
	Lines     []ledgerLine // the newest first
	Cautions  []string
}

// kindView is one form: what is entered with it, and whether it is open.
type kindView struct {
	Kind, Words, Unit string
	Open              bool
	Doubted           bool       // what was sent looks wrong: it is asked whether it is meant
	Sent              url.Values // what was sent and could not be taken
}

// Was is what the field of that name was sent with.
func (k kindView) Was(field string) string { return k.Sent.Get(field) }

// offerView is a step of the gap that nobody entered.
type offerView struct {
	Words string
	Steps int
	At    string
}

// ledgerLine is one entry in words.
type ledgerLine struct {
	ID            int64
	At, AtRFC     string
	What, Who     string
	Note, Outcome string
	Stands        bool
}

// enterRoutes adds the form for the ledger.
func (s *Server) enterRoutes(mux *http.ServeMux) {
	if s.deps.Ledger == nil || s.deps.Record == nil {
		return
	}
	mux.HandleFunc("GET /enter", s.enterPage)
	mux.HandleFunc("POST /enter", s.allowed(accounts.Technician, s.enterByForm))
}

func (s *Server) enterPage(w http.ResponseWriter, r *http.Request) {
	brake := r.URL.Query().Get("brake")
	if brake != "" && s.byName[brake] == nil {
		s.show(w, r, http.StatusNotFound, view{Title: "No such brake", Message: fmt.Sprintf("The site has no brake called %q.", brake)})
		return
	}
	v, err := s.viewEnter(r, brake, r.URL.Query().Get("kind"), nil)
	if err != nil {
		s.unreadable(w, r, err)
		return
	}
	if id := r.URL.Query().Get("done"); id != "" && len(v.Lines) > 0 && strconv.FormatInt(v.Lines[0].ID, 10) == id {
		v.Done = fmt.Sprintf("Entered as number %d: %s.", v.Lines[0].ID, v.Lines[0].What)
	}
	s.show(w, r, http.StatusOK, view{Title: joinWords(" – ", "Enter work or a reading", brake, s.deps.Site), Enter: v})
}

// viewEnter gathers the page; open is the kind whose form is open, and sent what
// was sent with it.
func (s *Server) viewEnter(r *http.Request, brake, open string, sent url.Values) (*enterView, error) {
	now := s.deps.Now()
	v := &enterView{Brake: brake, Many: len(s.deps.Brakes) > mostListed, Now: now.Format(formTime)}
	v.MayAct, v.WhyNot, v.NeedsName = s.mayEnter(r)
	for _, b := range s.deps.Brakes {
		v.Brakes = append(v.Brakes, choice{b.Name, b.Name})
	}
	for _, step := range analysis.RetestSteps() {
		v.Steps = append(v.Steps, step.Do)
	}
	if brake == "" {
		return v, nil
	}
	rec, err := s.deps.Record(r.Context(), report.Query{Brake: brake, From: time.Unix(0, 1), To: now.Add(5 * time.Minute), Now: now, Short: true})
	if err != nil {
		return nil, err
	}
	b := rec.Brakes[0]
	v.Path, v.Retest, v.RetestDue, v.Cautions = pathOf("/brake/", brake), sentence(b.Retest), b.RetestDue, rec.Cautions
	if b.Bias != nil {
		v.Bias = sentence(b.Bias.Words)
	}
	if b.OfferedSteps != 0 {
		at, err := time.Parse(time.RFC3339, b.OfferedAt)
		if err != nil {
			return nil, err
		}
		v.Offer = &offerView{Words: b.Offer, Steps: b.OfferedSteps, At: at.In(now.Location()).Format(formTime)}
	}
	v.Lines = ledgerLines(b, now)
	for _, k := range []kindView{{Kind: string(analysis.Reading), Words: "A gap read by hand"}, {Kind: string(analysis.Adjustment), Words: "An adjustment", Unit: b.StepUnit},
		{Kind: string(analysis.LiningFitted), Words: "A new lining"}, {Kind: string(analysis.Retest), Words: "A retest after work"},
		{Kind: string(analysis.OutOfService), Words: "Out of service"}, {Kind: string(analysis.ReturnedToUse), Words: "Returned to service"},
		{Kind: string(analysis.CorrectionOnly), Words: "Withdraw an entry"}} {
		if k.Open = k.Kind == open; k.Open {
			k.Sent = sent
		}
		v.Kinds = append(v.Kinds, k)
	}
	return v, nil
}

// formTime is how a browser's field for day and time has them.
const formTime = "2006-01-02T15:04"

// mayEnter is who may write into the ledger, and why not.
func (s *Server) mayEnter(r *http.Request) (may bool, why string, needsName bool) {
	who := visitorOf(r)
	switch {
	case who.Role >= accounts.Technician:
		return true, "", who.Name == ""
	case s.deps.Accounts == nil:
		return false, "Entries are made at the gateway's own machine, as there are no accounts.", false
	case who.Name == "":
		return false, "Sign in to enter something.", false
	}
	return false, "Your account is for reading.", false
}

func ledgerLines(b report.BrakeRecord, now time.Time) []ledgerLine {
	outcomes := map[int64]string{}
	for _, w := range b.Works {
		outcomes[w.Entry] = sentence(w.Words)
	}
	for _, x := range b.Readings {
		outcomes[x.Entry] = x.Words
	}
	var lines []ledgerLine
	for _, e := range slices.Backward(b.Ledger) {
		l := ledgerLine{ID: e.ID, What: report.EntryWords(b.Adjuster(), e), Who: e.Who, Note: e.Note, Outcome: outcomes[e.ID], Stands: e.Stands != nil && *e.Stands}
		if at, err := time.Parse(time.RFC3339Nano, e.Time); err == nil {
			l.At, l.AtRFC = at.In(now.Location()).Format("2 Jan 2006 15:04"), rfc(at.UnixNano())
		}
		lines = append(lines, l)
	}
	return lines
}

// enterByForm takes an entry from the form and leads back to the page.
func (s *Server) enterByForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostEntryBytes)
	if err := r.ParseForm(); err != nil {
		s.turnAway(w, r, http.StatusBadRequest, "the form can't be read")
		return
	}
	f := r.PostForm
	brake := f.Get("brake")
	if s.byName[brake] == nil {
		s.turnAway(w, r, http.StatusNotFound, fmt.Sprintf("the site has no brake called %q", brake))
		return
	}
	status := http.StatusUnprocessableEntity
	body, err := bodyOfForm(f, s.deps.Now().Location())
	var row store.LedgerRow
	if err == nil {
		if name := visitorOf(r).Name; name != "" {
			body.Who = name
		}
		row, err = body.Row(s.deps.Now())
	}
	doubted := false
	if err == nil {
		body.Sure = f.Get("sure") == "yes"
		err = s.doubt(r.Context(), body, row)
		if _, doubted = errors.AsType[*report.DoubtError](err); err != nil && !doubted {
			s.unreadable(w, r, err)
			return
		}
	}
	if err == nil {
		row, err = s.deps.Ledger.Enter(r.Context(), row)
		s.entered.Add(1)
		s.audit(r, AuditOfEntry(row, err))
		if err != nil && !errors.Is(err, store.ErrCorrection) {
			s.deps.Log.Error("an entry of the ledger could not be stored", "brake", brake, "error", err)
			status, err = http.StatusServiceUnavailable, errors.New("the entry could not be stored; the gateway's log says why. Look at the ledger below before entering it again")
		}
	}
	if err != nil {
		v, readErr := s.viewEnter(r, brake, f.Get("kind"), f)
		if readErr != nil {
			s.unreadable(w, r, readErr)
			return
		}
		if v.Wrong = sentence(err.Error()); doubted {
			v.Wrong += " Correct it below, or say there that it is so."
			for i := range v.Kinds {
				v.Kinds[i].Doubted = v.Kinds[i].Open
			}
		}
		s.show(w, r, status, view{Title: joinWords(" – ", "Not entered", brake, s.deps.Site), Enter: v})
		return
	}
	http.Redirect(w, r, "/enter?"+url.Values{"brake": {brake}, "done": {strconv.FormatInt(row.ID, 10)}}.Encode(), http.StatusSeeOther)
}

// bodyOfForm is the entry that a form tells of, in the words of the interface.
func bodyOfForm(f url.Values, zone *time.Location) (b report.EntryBody, err error) {
	b = report.EntryBody{Brake: f.Get("brake"), Kind: f.Get("kind"), Who: strings.TrimSpace(f.Get("who")), Note: strings.TrimSpace(f.Get("note")),
		NoLoad: analysis.Trial(f.Get("no_load")), WithLoad: analysis.Trial(f.Get("with_load"))}
	if text := f.Get("at"); text != "" {
		at, err := time.ParseInLocation(formTime, text, zone)
		if err != nil {
			return b, fmt.Errorf("the time is %q; write it as 2026-05-04T10:00", text)
		}
		b.Time = at.UTC().Format(time.RFC3339)
	}
	for _, n := range []struct {
		field string
		to    func(int)
	}{{"steps", func(n int) { b.Steps = n }}, {"corrects", func(n int) { b.Corrects = int64(n) }}} {
		if text := strings.TrimSpace(f.Get(n.field)); text != "" {
			v, err := strconv.Atoi(text)
			if err != nil {
				return b, fmt.Errorf("%s is %q, which is no whole number", n.field, text)
			}
			n.to(v)
		}
	}
	if b.Kind == string(analysis.Reading) {
		b.Readings, err = readingsOfForm(f)
		return b, err
	}
	for _, n := range []struct {
		field string
		to    **float64
	}{{"thickness", &b.ThicknessMM}, {"gap", &b.GapMM}} {
		list, err := numbers(n.field, f.Get(n.field))
		if err != nil {
			return b, err
		}
		if len(list) > 1 {
			return b, fmt.Errorf("%s is one number", n.field)
		}
		if len(list) == 1 {
			*n.to = &list[0]
		}
	}
	return b, nil
}

func readingsOfForm(f url.Values) (*report.ReadingsBody, error) {
	var b report.ReadingsBody
	for _, n := range []struct {
		field string
		to    *[]float64
	}{{"gaps", &b.GapsMM}, {"still", &b.StillMM}, {"running", &b.RunningMM}} {
		list, err := numbers(n.field, f.Get(n.field))
		if err != nil {
			return nil, err
		}
		*n.to = list
	}
	for _, n := range []struct {
		field string
		to    *float64
	}{{"resolution", &b.ResolutionMM}, {"gauge_u", &b.InstrumentUMM}} {
		list, err := numbers(n.field, f.Get(n.field))
		if err != nil {
			return nil, err
		}
		if len(list) > 0 {
			*n.to = list[0]
		}
	}
	return &b, nil
}

// numbers reads numbers apart by spaces, as "41.2 41.3 41.2". A comma within a
// number is taken for its point, as it is written in many places.
func numbers(field, text string) (list []float64, err error) {
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' || r == '\n' || r == '\t' || r == '\r' }) {
		v, err := strconv.ParseFloat(strings.Replace(word, ",", ".", 1), 64)
		if err != nil {
			return nil, fmt.Errorf("%s has %q, which is no number; write repeats apart by spaces, as in 41.2 41.3", field, word)
		}
		list = append(list, v)
	}
	return list, nil
}

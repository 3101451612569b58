package page

import (
	"context"
	"encoding/json"
	"html"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// Act keeps the act and answers as the gateway would.
func (b *rung) Act(_ context.Context, a Act) (alerts.Event, error) {
	if b.err != nil {
		return alerts.Event{}, b.err
	}
	b.acts = append(b.acts, a)
	return alerts.Event{AtNS: noon().UnixNano(), Brake: a.Key.Brake, Device: a.Key.Device, Condition: a.Key.Condition, Change: a.Do, By: a.By, Value: math.NaN(), Limit: math.NaN()}, nil
}

// belledSite is the harbour with alarms that can be acted on, some held back.
func belledSite(t *testing.T) (Deps, *rung, *fakeData) {
	deps, data := harbourSite(t)
	bells := &rung{}
	deps.Alarms = bells
	hold := func(brake, device string, c analysis.Condition, s alerts.State, marks alerts.Marks, by, reason string) {
		data.active = append(data.active, store.AlarmRow{ID: int64(len(data.active) + 1), Event: alerts.Event{AtNS: ago(time.Hour), SinceNS: ago(2 * time.Hour), Brake: brake, Device: device,
			Condition: c, Change: alerts.Raised, State: s, Marks: marks, UntilNS: ago(-6 * time.Hour), By: by, Reason: reason, Value: math.NaN(), U: math.NaN(), Limit: math.NaN()}})
	}
	hold("quay-1/creep", "", analysis.SlowSet, alerts.Shelved, alerts.MarkShelved|alerts.MarkStanding, "R. Holm", "new springs on order")
	hold("quay-1/main", "", analysis.SignalStale, alerts.Suppressed, alerts.MarkSuppressed|alerts.MarkStanding, "", "quay-io does not answer")
	hold("", "quay-io", alerts.DeviceSilent, alerts.Unacknowledged, alerts.MarkStanding, "", "")
	hold("quay-1/main", "", analysis.NotSet, alerts.Returned, 0, "", "")
	return deps, bells, data
}

func TestAlarmsPageTellsAll(t *testing.T) {
	deps, _, _ := belledSite(t)
	w := getHere(serverOf(t, deps), "/alarms")
	text, at := words(w.Body.String()), 0
	for _, want := range []string{"6 to acknowledge – Kestrel Quay", "Standing", "quay-2/creep : Air gap has reached its maximum", "2.24 ± 0.04 mm , limit 2.20 mm, since 11:18 , not acknowledged.",
		"Land the load and stop using the hoist.", "Your name", "Acknowledge quay-2/creep: Air gap has reached its maximum", "Shelve quay-2/creep", "For 1 hour 4 hours 8 hours, a shift", "Because",
		"gantry-1/hoist : Air gap is too narrow", "quay-io: Device does not answer", "acknowledged by R. Holm",
		"Gone, not acknowledged", "quay-1/main : Brake does not set",
		"Held back", "quay-1/main : Signal is silent", "Suppressed, because quay-io does not answer. Its condition stands since 10:00.",
		"quay-1/creep : Brake sets slowly", "Shelved by R. Holm until 18:00: new springs on order. Its condition stands since 10:00.", "End shelving",
		"Before anybody touches a brake", "History", "Signal is silent: raised, 65 s"} {
		next := strings.Index(text[at:], want)
		if next < 0 {
			t.Fatalf("after %q the page doesn't say %q in %q", text[max(0, at-60):at], want, text[at:min(len(text), at+600)])
		}
		at += next + len(want)
	}
	one := words(getHere(serverOf(t, deps), "/alarms?brake=quay-1/creep").Body.String())
	if _, alarms, _ := strings.Cut(one, "Standing"); !strings.Contains(one, "Alarms of quay-1/creep") || strings.Contains(alarms, "quay-2") {
		t.Error("the alarms of one brake are not that brake's alone")
	}
	board := words(get(serverOf(t, deps), "/").Body.String())
	if !strings.Contains(board, "To acknowledge quay-1/ main") || !strings.Contains(board, "In limits quay-1/ creep") {
		t.Error("what is held back is ranked like what calls")
	}
}

// getHere asks from the gateway's own machine.
func getHere(s *Server, path string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	r.RemoteAddr = "127.0.0.1:4711"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func TestShelvingByForm(t *testing.T) {
	deps, bells, _ := belledSite(t)
	s := serverOf(t, deps)
	send := func(body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/alarms", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = "127.0.0.1:4711"
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	const form = "brake=quay-2%2Fmain&condition=slow-release&do=shelve&by=K.+Berg&to=%2Falarms%3Fbrake%3Dquay-2%2Fmain"
	if w := send(form + "&for=8h&reason=springs+on+order"); w.Code != 303 || w.Header().Get("Location") != "/alarms?brake=quay-2%2Fmain&done=shelved" {
		t.Fatalf("status %d to %q: %s", w.Code, w.Header().Get("Location"), words(w.Body.String()))
	}
	if a := bells.acts[0]; a.Do != alerts.ShelvedBy || a.UntilNS != ago(-8*time.Hour) || a.Reason != "springs on order" || a.By != "K. Berg" {
		t.Errorf("%+v", a)
	}
	for body, want := range map[string]string{form + "&for=8h": "needs a reason", form + "&for=900h&reason=x": "7 days at most", form + "&reason=x": "How long", strings.Replace(form, "slow-release", "slipping", 1): "no condition",
		strings.Replace(form, "do=shelve", "do=dance", 1): "is nothing that is done"} {
		if w := send(body); w.Code != 422 || !strings.Contains(words(w.Body.String()), want) || len(bells.acts) != 1 {
			t.Errorf("%s: status %d, want %q", body, w.Code, want)
		}
	}
	bells.err = ErrNothingToDo
	if w := send(form + "&for=8h&reason=x"); w.Code != 409 || !strings.Contains(w.Body.String(), "has ended or changed meanwhile") {
		t.Errorf("an alarm that has ended: status %d", w.Code)
	}
}

// Through all pages of the alarms each is shown once, those that call first; and
// what has been done leads back to where one was.
func TestTheAlarmsHavePages(t *testing.T) {
	deps, data := yard(t, 200)
	deps.Alarms = &rung{}
	for i := range 130 {
		a := data.active[i%len(data.active)]
		a.ID, a.Change = int64(1000+i), alerts.Cleared
		data.alarms = append([]store.AlarmRow{a}, data.alarms...)
	}
	s := serverOf(t, deps)
	card := regexp.MustCompile(`<li id="(alarm-[^"]+)" class="alarm`)
	next := regexp.MustCompile(`href="([^"]+)" rel="next"`)
	seen, path, pages := map[string]int{}, "/alarms", 0
	for ; path != ""; pages++ {
		if pages > 20 {
			t.Fatal("the pages never end")
		}
		body := getHere(s, path).Body.String()
		body, _, _ = strings.Cut(body, `id="history"`)
		cards := card.FindAllStringSubmatch(body, -1)
		if len(cards) > pageAlarms {
			t.Errorf("%s shows %d alarms", path, len(cards))
		}
		for _, m := range cards {
			seen[m[1]]++
		}
		if pages == 1 && (!strings.Contains(words(body), "Back 21 to 40 of 100 Further") || !strings.Contains(body, `name="to" value="/alarms?from=21"`)) {
			t.Errorf("the second page reads %.300q", words(body))
		}
		path = ""
		if m := next.FindStringSubmatch(body); m != nil {
			path = html.UnescapeString(m[1])
		}
	}
	if len(seen) != 100 || pages != 5 {
		t.Errorf("%d alarms were shown on %d pages, want 100 on 5", len(seen), pages)
	}
	for id, n := range seen {
		if n != 1 {
			t.Errorf("%s was shown %d times", id, n)
		}
	}
	// The history is leafed through by itself, and beyond either end is a way back.
	body := getHere(s, "/alarms?from=41&past=51").Body.String()
	_, past, _ := strings.Cut(body, `id="history"`)
	if rows := strings.Count(past, "<th scope=\"row\">"); rows != pageChanges || !strings.Contains(words(past), "Back 51 to 100 of") || !strings.Contains(past, `href="/alarms?from=41&amp;past=101#history"`) {
		t.Errorf("the history's second page has %d rows and reads %.400q", rows, words(past))
	}
	if text := words(getHere(s, "/alarms?from=981").Body.String()); !strings.Contains(text, "81 to 100 of 100") {
		t.Error("beyond the last page the last is not shown")
	}
}

func TestAlarmsAreFiltered(t *testing.T) {
	deps, _, data := belledSite(t)
	deps.Brakes[4].Crane = "gantry-1"
	for _, a := range data.active {
		a.ID += 100
		data.alarms = append([]store.AlarmRow{a}, data.alarms...)
	}
	s := serverOf(t, deps)
	name := regexp.MustCompile(`<li id="alarm-([^"]+)" class="alarm`)
	shown := func(query string) string {
		var names []string
		for _, m := range name.FindAllStringSubmatch(getHere(s, "/alarms?"+query).Body.String(), -1) {
			names = append(names, m[1])
		}
		slices.Sort(names)
		return strings.Join(names, " ")
	}
	for query, want := range map[string]string{
		"brake=quay-2/main":                    "alarm-quay-2/main--gap-adjust alarm-quay-2/main--slow-release",
		"brake=quay-2/main&state=acknowledged": "alarm-quay-2/main--gap-adjust",
		"crane=gantry-1":                       "alarm-gantry-1/hoist--gap-low",
		"chain=quay-2+hoist&condition=gap-max": "alarm-quay-2/creep--gap-max",
		"state=shelved":                        "alarm-quay-1/creep--slow-set",
		"state=suppressed":                     "alarm-quay-1/main--signal-stale",
		"state=returned-unacknowledged":        "alarm-quay-1/main--not-set",
		"state=out-of-service":                 "",
		"condition=device-silent":              "alarm--quay-io-device-silent",
		"condition=device-silent&crane=quay-2": "",
	} {
		if got := shown(query); "alarm-"+strings.ReplaceAll(got, " ", " alarm-") != want && got+want != "" {
			t.Errorf("%s shows %q, want %q", query, got, want)
		}
	}
	page := getHere(s, "/alarms?crane=gantry-1&condition=gap-low").Body.String()
	text := words(page)
	if !strings.Contains(text, "All alarms 1 of 9 shown") || !strings.Contains(page, `<option value="gap-low" selected>`) || !strings.Contains(page, `<option value="gantry-1" selected>`) {
		t.Error("the form doesn't say what is shown")
	}
	if _, past, _ := strings.Cut(text, "History"); strings.Contains(past, "quay-2") || !strings.Contains(past, "gantry-1/hoist") {
		t.Errorf("the history is of others too: %.300q", past)
	}
	if text := words(getHere(s, "/alarms?state=out-of-service").Body.String()); !strings.Contains(text, "No alarm that stands is like that.") {
		t.Error("that there is none is not told")
	}
	for query, want := range map[string]string{"brake=nowhere": `no brake called "nowhere"`, "state=odd": "it must be one of unacknowledged, acknowledged, returned-unacknowledged", "condition=gap-wide": "no condition", "from=x": "which alarm comes first", "past=0": "which change comes first"} {
		if w := getHere(s, "/alarms?"+query); w.Code != http.StatusBadRequest || !strings.Contains(html.UnescapeString(w.Body.String()), want) {
			t.Errorf("%s: status %d, want it to say %q", query, w.Code, want)
		}
	}
	// The same filter holds for machines.
	for query, want := range map[string]int{"": 9, "crane=gantry-1": 1, "state=shelved": 1, "condition=gap-max&chain=quay-2+hoist": 1, "brake=quay-2/main": 2} {
		var body struct {
			Active, History []any
		}
		if err := json.Unmarshal(getHere(s, "/api/alarms?"+query).Body.Bytes(), &body); err != nil || len(body.Active) != want {
			t.Errorf("/api/alarms?%s has %d active, want %d (%v)", query, len(body.Active), want, err)
		}
	}
	if w := getHere(s, "/api/alarms?state=odd"); w.Code != http.StatusBadRequest {
		t.Errorf("an unknown state of machines: status %d", w.Code)
	}
}

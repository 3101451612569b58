package page

import (
	"context"
	"math"
	"net/http"
	"net/http/httptest"
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
	for _, want := range []string{"5 to acknowledge – Kestrel Quay", "Standing", "quay-2/creep : Air gap has reached its maximum", "2.24 ± 0.04 mm , limit 2.20 mm, since 11:18 , not acknowledged.",
		"Land the load and stop using the hoist.", "Your name", "Acknowledge quay-2/creep: Air gap has reached its maximum", "Shelve quay-2/creep", "For 1 hour 4 hours 8 hours, a shift", "Because",
		"gantry-1/hoist : Air gap is too narrow", "quay-io: Device does not answer", "acknowledged by R. Holm",
		"Gone, not acknowledged", "quay-1/main : Brake does not set",
		"Held back", "quay-1/main : Signal is silent", "Suppressed, because quay-io does not answer. Its condition stands since 10:00.",
		"quay-1/creep : Brake sets slowly", "Shelved by R. Holm until 18:00: new springs on order. Its condition stands since 10:00.", "End shelving",
		"Before anybody touches a brake", "History", "Signal is silent came, 65 s"} {
		next := strings.Index(text[at:], want)
		if next < 0 {
			t.Fatalf("after %q the page doesn't say %q in %q", text[max(0, at-60):at], want, text[at:min(len(text), at+600)])
		}
		at += next + len(want)
	}
	one := words(getHere(serverOf(t, deps), "/alarms?brake=quay-1/creep").Body.String())
	if !strings.Contains(one, "Alarms of quay-1/creep") || strings.Contains(one, "quay-2") {
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

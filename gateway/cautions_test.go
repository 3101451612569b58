package gateway

import (
	"encoding/json"
	"html"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/alerts/notify"
	"gapward/analysis"
	"gapward/gateway/page"
)

// Whatever leads somebody to touch a brake carries the cautions, each once and in
// the words of [alerts.Cautions]. Mail, the commissioning record and the rules
// for Prometheus are held to the same words by the tests of their own packages.
func TestWhatLeadsToABrakeCarriesTheCautionsOnce(t *testing.T) {
	site, db := recorded(t)
	now := recordedNow()
	server, err := page.New(page.Deps{Site: site.Name, Brakes: pageBrakes(site), Data: told{db, newWatch(nil, now)}, Ledger: &desk{DB: db}, Plan: planner(site, db),
		Record: Recorder(site, db, "", "", nil), Now: func() time.Time { return now }, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	if err != nil {
		t.Fatal(err)
	}
	outputs := map[string]string{}
	for _, path := range []string{"/", "/brake/quay-2/main", "/enter?brake=quay-2/main", "/api/plan/quay-2/main", "/api/report", "/api/report?format=csv", "/api/report?format=html", "/api/report?format=html&brake=quay-2/creep"} {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1:8480"
		w := httptest.NewRecorder()
		server.Handler().ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, w.Code)
		}
		outputs[path] = w.Body.String()
	}
	posted := make(chan string, 1)
	far := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var body json.RawMessage
		_ = json.NewDecoder(r.Body).Decode(&body) // an empty body has no cautions, which is found below
		posted <- string(body)
	}))
	defer far.Close()
	hook, err := notify.NewWebhook(notify.WebhookSettings{URL: far.URL})
	if err != nil {
		t.Fatal(err)
	}
	event := alerts.Event{AtNS: now.UnixNano(), Brake: "quay-2/main", Condition: analysis.GapAdjust, Change: alerts.Raised, State: alerts.Unacknowledged, SinceNS: now.UnixNano(), Value: 2.81, Limit: 2.8, Unit: "mm"}
	if err := hook.Notify(t.Context(), []notify.Notice{{ID: 1, Site: site.Name, Event: event}}); err != nil {
		t.Fatal(err)
	}
	outputs["webhook"] = <-posted
	for name, text := range outputs {
		text = html.UnescapeString(text)
		for _, c := range alerts.Cautions() {
			if n := strings.Count(text, c); n != 1 {
				t.Errorf("%s has %q %d times, want once", name, c, n)
			}
		}
	}
}

package page

import (
	"crypto/tls"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/accounts"
)

const phrase = "lantern over the quay"

// guardedSite is a site with accounts of each role, as other machines reach it.
func guardedSite(t *testing.T) (*Server, *rung, map[string]string, *[]Audit) {
	t.Helper()
	path, tokens := filepath.Join(t.TempDir(), "accounts"), map[string]string{}
	for _, role := range []accounts.Role{accounts.View, accounts.Technician, accounts.Admin} {
		a, err := accounts.NewPassword(role.String()+" one", role, phrase)
		if err != nil {
			t.Fatal(err)
		}
		machine, token := accounts.NewToken(role.String()+" machine", role)
		tokens[role.String()] = token
		for _, one := range []accounts.Account{a, machine} {
			if err := accounts.Put(path, one, false); err != nil {
				t.Fatal(err)
			}
		}
	}
	book, err := accounts.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	deps, _ := harbourSite(t)
	bells, done := &rung{}, []Audit{}
	deps.Accounts, deps.Alarms, deps.LocalToken = accounts.NewDesk(book), bells, "of-this-machine"
	deps.Hosts = []string{"gapward.example"}
	deps.Audit = func(a Audit) { done = append(done, a) }
	return serverOf(t, deps), bells, tokens, &done
}

// rung takes acts on alarms and keeps them.
type rung struct {
	acts []Act
	err  error
}

// ask sends a request from another machine over TLS.
func ask(s *Server, method, path, body string, set func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "https://gapward.example"+path, strings.NewReader(body))
	r.TLS = &tls.ConnectionState{}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if set != nil {
		set(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

const ackForm = "brake=quay-2%2Fcreep&condition=gap-max&do=acknowledge&to=%2Falarms"

func TestNobodyGetsInWithoutAnAccount(t *testing.T) {
	s, bells, _, _ := guardedSite(t)
	for path, want := range map[string]int{"/": 303, "/alarms": 303, "/brake/quay-1/main": 303, "/api/brakes": 401, "/api/alarms": 401, "/events": 401, "/readyz": 401,
		"/plot/gap/quay-1/main.svg": 401, "/?fragment=1": 401, "/healthz": 200, "/signin": 200, "/static/page.css": 200} {
		w := ask(s, http.MethodGet, path, "", nil)
		if w.Code != want {
			t.Errorf("%s: status %d, want %d", path, w.Code, want)
		}
		if strings.Contains(w.Body.String(), "quay-2") {
			t.Errorf("%s tells of a brake", path)
		}
	}
	if w := ask(s, http.MethodPost, "/alarms", ackForm, nil); w.Code != 303 || len(bells.acts) > 0 {
		t.Errorf("acknowledging: status %d, %d acts", w.Code, len(bells.acts))
	}
	if to := ask(s, http.MethodGet, "/alarms?brake=quay-2/main", "", nil).Header().Get("Location"); to != "/signin?to=%2Falarms%3Fbrake%3Dquay-2%2Fmain" {
		t.Errorf("leads to %q", to)
	}
}

func TestEachRoleMayDoWhatItIsFor(t *testing.T) {
	s, bells, tokens, done := guardedSite(t)
	for role, want := range map[string]int{"view": 403, "technician": 200, "admin": 200} {
		bells.acts = nil
		w := ask(s, http.MethodPost, "/api/alarms", `{"brake":"quay-2/creep","condition":"gap-max","do":"acknowledge","by":"somebody else"}`, func(r *http.Request) {
			r.Header.Set("Content-Type", "application/json")
			r.Header.Set("Authorization", "Bearer "+tokens[role])
		})
		if w.Code != want || (len(bells.acts) == 1) != (want == 200) {
			t.Errorf("%s acknowledges: status %d, %d acts: %s", role, w.Code, len(bells.acts), w.Body)
		}
		if want == 200 && bells.acts[0].By != role+" machine" {
			t.Errorf("it is acknowledged by %q, not by who sent it", bells.acts[0].By)
		}
		if w := ask(s, http.MethodGet, "/api/brakes", "", func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+tokens[role]) }); w.Code != 200 {
			t.Errorf("%s reads: status %d", role, w.Code)
		}
	}
	var acts []string
	for _, a := range *done {
		if acts = append(acts, a.Who+", "+a.Role+", "+a.Did+": "+a.Outcome); a.From != "192.0.2.1" || a.Time == "" {
			t.Errorf("the audit has %+v", a)
		}
	}
	slices.Sort(acts)
	if want := []string{"admin machine, admin, acknowledge: done", "technician machine, technician, acknowledge: done", "view machine, view, POST /api/alarms: refused: it needs technician"}; !slices.Equal(acts, want) {
		t.Errorf("the audit has %q", acts)
	}
	// The token of this machine is worth nothing elsewhere.
	if w := ask(s, http.MethodGet, "/api/brakes", "", func(r *http.Request) { r.Header.Set("Authorization", "Bearer of-this-machine") }); w.Code != 401 {
		t.Errorf("the local token from elsewhere: status %d", w.Code)
	}
	if w := ask(s, http.MethodGet, "/api/brakes", "", func(r *http.Request) {
		r.Header.Set("Authorization", "Bearer of-this-machine")
		r.RemoteAddr = "127.0.0.1:4711"
	}); w.Code != 200 {
		t.Errorf("the local token from here: status %d", w.Code)
	}
}

func TestSigningIn(t *testing.T) {
	s, bells, _, done := guardedSite(t)
	in := func(name, password, to string) *httptest.ResponseRecorder {
		return ask(s, http.MethodPost, "/signin", url.Values{"name": {name}, "password": {password}, "to": {to}}.Encode(), nil)
	}
	if w := in("technician one", "wrong password", "/alarms"); w.Code != 401 || !strings.Contains(w.Body.String(), "name or the password is wrong") || len(w.Result().Cookies()) != 0 {
		t.Errorf("a wrong password: status %d", w.Code)
	}
	w := in("technician one", phrase, "/alarms")
	if w.Code != 303 || w.Header().Get("Location") != "/alarms" {
		t.Fatalf("status %d to %q", w.Code, w.Header().Get("Location"))
	}
	c := w.Result().Cookies()[0]
	if c.Name != "__Host-gapward" || !c.HttpOnly || !c.Secure || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Domain != "" {
		t.Errorf("the cookie is %+v", c)
	}
	with := func(r *http.Request) { r.AddCookie(c) }
	if w := ask(s, http.MethodGet, "/alarms", "", with); w.Code != 200 || !strings.Contains(w.Body.String(), "technician one, technician") || !strings.Contains(w.Body.String(), ">Acknowledge<") || strings.Contains(w.Body.String(), "Your name") {
		t.Errorf("the alarms, signed in: status %d", w.Code)
	}
	if w := ask(s, http.MethodPost, "/alarms", ackForm, with); w.Code != 303 || w.Header().Get("Location") != "/alarms?done=acknowledged" || len(bells.acts) != 1 || bells.acts[0].By != "technician one" {
		t.Errorf("acknowledging: status %d, %+v", w.Code, bells.acts)
	}
	// From another site's page the cookie would come along; the origin tells.
	for _, header := range [][2]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://elsewhere.example"}} {
		if w := ask(s, http.MethodPost, "/alarms", ackForm, func(r *http.Request) { with(r); r.Header.Set(header[0], header[1]) }); w.Code != 403 || len(bells.acts) != 1 {
			t.Errorf("with %s: status %d, %d acts", header, w.Code, len(bells.acts))
		}
	}
	if w := ask(s, http.MethodGet, "/", "", func(r *http.Request) { with(r); r.Host = "elsewhere.example" }); w.Code != http.StatusMisdirectedRequest {
		t.Errorf("by another host's name: status %d", w.Code)
	}
	if w := ask(s, http.MethodPost, "/signout", "", with); w.Code != 303 {
		t.Errorf("signing out: status %d", w.Code)
	}
	if w := ask(s, http.MethodGet, "/alarms", "", with); w.Code != 303 {
		t.Errorf("signed out, the alarms have status %d", w.Code)
	}
	for _, to := range []string{"https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "javascript:alert(1)", ""} {
		if got := in("technician one", phrase, to).Header().Get("Location"); got != "/" {
			t.Errorf("signing in leads to %q from %q", got, to)
		}
	}
	var names []string
	for _, a := range *done {
		names = append(names, a.Who+" "+a.Did+": "+a.Outcome)
	}
	if len(names) < 4 || names[0] != "technician one sign in: the name or the password is wrong" || names[1] != "technician one sign in: done" || names[2] != "technician one acknowledge: done" {
		t.Errorf("the audit has %q", names)
	}
}

func TestTooManyWrongPasswords(t *testing.T) {
	s, _, _, _ := guardedSite(t)
	var w *httptest.ResponseRecorder
	for range 6 {
		w = ask(s, http.MethodPost, "/signin", "name=admin+one&password=wrong", nil)
	}
	if w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") == "" {
		t.Errorf("after six: status %d", w.Code)
	}
}

// Without accounts everybody reads, and who is at the machine acts, under the
// name they give.
func TestWithoutAccountsTheMachineItselfActs(t *testing.T) {
	deps, _ := harbourSite(t)
	bells := &rung{}
	deps.Alarms, deps.Hosts = bells, []string{}
	s := serverOf(t, deps)
	send := func(from, host, body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://"+host+"/alarms", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = from
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	if w := send("192.0.2.9:1", "192.0.2.1:8480", ackForm+"&by=x"); w.Code != 403 || len(bells.acts) != 0 {
		t.Errorf("from elsewhere: status %d", w.Code)
	}
	if w := send("127.0.0.1:1", "elsewhere.example", ackForm+"&by=x"); w.Code != http.StatusMisdirectedRequest || len(bells.acts) != 0 {
		t.Errorf("by another name: status %d", w.Code)
	}
	if w := send("127.0.0.1:1", "127.0.0.1:8480", ackForm); w.Code != 422 || !strings.Contains(w.Body.String(), "Your name is missing") {
		t.Errorf("without a name: status %d", w.Code)
	}
	if w := send("127.0.0.1:1", "localhost:8480", ackForm+"&by=K.+Berg"); w.Code != 303 || len(bells.acts) != 1 ||
		bells.acts[0] != (Act{Key: alerts.Key{Brake: "quay-2/creep", Condition: analysis.GapMax}, Do: alerts.Acked, By: "K. Berg"}) {
		t.Errorf("from here: status %d, %+v", w.Code, bells.acts)
	}
}

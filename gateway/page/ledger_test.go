package page

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"gapward/gateway/report"
	"gapward/gateway/store"
)

// storedLedger enters into a real store, without a gateway around it.
type storedLedger struct {
	*store.DB
	broken error
}

func (l *storedLedger) Enter(ctx context.Context, row store.LedgerRow) (store.LedgerRow, error) {
	if l.broken != nil {
		return store.LedgerRow{}, l.broken
	}
	b := store.Batch{Ledger: []store.LedgerRow{row}}
	err := l.Commit(ctx, &b)
	return b.Ledger[0], err
}

func ledgerSite(t *testing.T) (*Server, *storedLedger) {
	t.Helper()
	deps, _ := harbourSite(t)
	db, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	l := &storedLedger{DB: db}
	deps.Ledger = l
	return serverOf(t, deps), l
}

const adjustmentBody = `{"brake":"quay-2/main","kind":"adjustment","steps":2,"who":"K. Berg","time":"2026-11-18T09:30:00Z","note":"wet"}`

// post sends an entry as gapward's own command does, changed by with.
func post(s *Server, body string, with func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, "/api/ledger", strings.NewReader(body))
	r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1:8480"
	r.Header.Set("Content-Type", "application/json")
	if with != nil {
		with(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func TestEntriesGoInAndComeOut(t *testing.T) {
	s, _ := ledgerSite(t)
	var stored report.EntryBody
	w := post(s, adjustmentBody, nil)
	if decode(t, w, &stored); w.Code != http.StatusCreated || stored.ID != 1 || stored.Steps != 2 || stored.Time != "2026-11-18T09:30:00Z" || stored.Entered != noon().Format(time.RFC3339) {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	w = post(s, `{"site":"Kestrel Quay","brake":"quay-2/main","kind":"reading","who":"=cmd()","readings":{"still_mm":[41.2,41.3,41.2],"running_mm":[42.9,42.9,43]}}`, nil)
	if decode(t, w, &stored); w.Code != http.StatusCreated || *stored.GapMM != 1.7 || stored.Repeats != 3 || stored.Time != noon().Format(time.RFC3339) || !(*stored.GapUMM > 0.05 && *stored.GapUMM < 0.06) {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if w = post(s, `{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K. Berg","corrects":1}`, nil); w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}

	var list struct{ Entries []report.EntryBody }
	decode(t, get(s, "/api/ledger?brake=quay-2/main"), &list)
	if len(list.Entries) != 3 || *list.Entries[0].Stands || !*list.Entries[1].Stands || !*list.Entries[2].Stands || list.Entries[2].Corrects != 1 {
		t.Errorf("the ledger is %+v", list.Entries)
	}
	if decode(t, get(s, "/api/ledger?brake=quay-1/main"), &list); len(list.Entries) != 0 {
		t.Errorf("another brake's ledger is %+v", list.Entries)
	}
	if w := get(s, "/api/ledger?brake=nowhere"); w.Code != http.StatusNotFound {
		t.Errorf("the ledger of no brake: %d", w.Code)
	}

	w = get(s, "/api/ledger.csv")
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for i, want := range []string{
		"id time entered brake kind steps gap_mm gap_u_mm still_mm running_mm repeats thickness_mm who note corrects stands",
		"1 2026-11-18T09:30:00Z 2026-11-18T12:00:00Z quay-2/main adjustment 2       K. Berg wet  false",
		"2 2026-11-18T12:00:00Z 2026-11-18T12:00:00Z quay-2/main reading  1.7 0.057778 41.233333 42.933333 3",
		"3 2026-11-18T12:00:00Z 2026-11-18T12:00:00Z quay-2/main adjustment 1       K. Berg  1 true",
	} {
		if got := strings.Join(rows[i], " "); !strings.HasPrefix(got, want) {
			t.Errorf("row %d is %q, want %q", i, got, want)
		}
	}
	if got := strings.Join(rows[2][18:21], "|"); got != "|41.2 41.3 41.2|42.9 42.9 43" {
		t.Errorf("the repeats read %q", got)
	}
	if rows[2][12] != "'=cmd()" {
		t.Errorf("a name that is a formula stands there as %q", rows[2][12])
	}
}

func TestEntriesAreTakenOnlyFromHere(t *testing.T) {
	s, l := ledgerSite(t)
	for _, c := range []struct {
		name string
		with func(*http.Request)
		code int
	}{
		{"another machine", func(r *http.Request) { r.RemoteAddr = "192.0.2.7:50000" }, http.StatusForbidden},
		{"another name", func(r *http.Request) { r.Host = "quay.example:8480" }, http.StatusForbidden},
		{"another site's page", func(r *http.Request) { r.Header.Set("Origin", "https://quay.example") }, http.StatusForbidden},
		{"another site's page, as browsers tell", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, http.StatusForbidden},
		{"a plain form", func(r *http.Request) { r.Header.Set("Content-Type", "application/x-www-form-urlencoded") }, http.StatusUnsupportedMediaType},
		{"as text", func(r *http.Request) { r.Header.Set("Content-Type", "text/plain") }, http.StatusUnsupportedMediaType},
	} {
		var told map[string]string
		w := post(s, adjustmentBody, c.with)
		if decode(t, w, &told); w.Code != c.code || told["error"] == "" {
			t.Errorf("%s: %d %s", c.name, w.Code, w.Body)
		}
	}
	if rows, err := l.Ledger(t.Context(), ""); err != nil || len(rows) != 0 {
		t.Errorf("refused entries are stored: %v, %v", rows, err)
	}
	for _, with := range []func(*http.Request){
		func(r *http.Request) { r.RemoteAddr, r.Host = "[::1]:50000", "[::1]:8480" },
		func(r *http.Request) { r.Host = "localhost:8480" },
		func(r *http.Request) {
			r.Header.Set("Origin", "http://127.0.0.1:8480")
			r.Header.Set("Sec-Fetch-Site", "same-origin")
			r.Header.Set("Content-Type", "application/json; charset=utf-8")
		},
	} {
		if w := post(s, adjustmentBody, with); w.Code != http.StatusCreated {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	if w := get(s, "/api/ledger"); w.Code != http.StatusOK {
		t.Errorf("reading from elsewhere: %d", w.Code)
	}
}

func TestWrongEntriesAreRefusedInWords(t *testing.T) {
	s, l := ledgerSite(t)
	for _, c := range []struct {
		body, says string
		code       int
	}{
		{`{`, "can't be read", 400},
		{adjustmentBody + adjustmentBody, "more after it", 400},
		{`{"brake":"quay-2/main","gap":1}`, `unknown field \"gap\"`, 400},
		{`{"brake":"quay-2/main","note":"` + strings.Repeat("x", mostEntryBytes) + `"}`, "too large", 400},
		{`{"site":"Pit","brake":"quay-2/main"}`, "this is the gateway of Kestrel Quay, not of Pit", 409},
		{`{"brake":"nowhere"}`, `no brake called \"nowhere\"`, 404},
		{`{"brake":"quay-2/main","kind":"adjustment","steps":1}`, "who is missing", 422},
		{`{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K","time":"noon"}`, "write it as in", 422},
		{`{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K","time":"2026-11-19T12:00:00Z"}`, "in the future", 422},
		{`{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K","corrects":7}`, "there is no entry 7", 422},
		{`{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K","id":7}`, "given by the gateway", 422},
		{`{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K","readings":{"gaps_mm":[1]}}`, "readings belong to", 422},
		{`{"brake":"quay-2/main","kind":"reading","who":"K","readings":{"still_mm":[1]}}`, "motor running are missing", 422},
	} {
		if w := post(s, c.body, nil); w.Code != c.code || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%.80s: %d %s; want %d, %q", c.body, w.Code, w.Body, c.code, c.says)
		}
	}
	l.broken = errors.New("the card is full")
	if w := post(s, adjustmentBody, nil); w.Code != 503 || strings.Contains(w.Body.String(), "card") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestNoLedgerNoEntries(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	if w := get(s, "/api/ledger"); w.Code != http.StatusNotFound {
		t.Errorf("reading gives %d", w.Code)
	}
	if w := post(s, adjustmentBody, nil); w.Code != http.StatusMethodNotAllowed && w.Code != http.StatusNotFound {
		t.Errorf("entering gives %d", w.Code)
	}
}

// The command's side against the page's, over a real connection.
func TestSendEntry(t *testing.T) {
	s, l := ledgerSite(t)
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	addr := srv.Listener.Addr().String()
	body := report.EntryBody{Site: "Kestrel Quay", Brake: "quay-2/main", Kind: "adjustment", Steps: 2, Who: "K. Berg"}
	stored, err := SendEntry(t.Context(), LocalGateway{Listen: addr}, body)
	if err != nil || stored.ID != 1 || stored.Entered == "" {
		t.Fatalf("%+v, %v", stored, err)
	}
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	for _, listen := range []string{":" + port, "0.0.0.0:" + port} {
		if _, err := SendEntry(t.Context(), LocalGateway{Listen: listen}, body); err != nil {
			t.Errorf("by %s: %v", listen, err)
		}
	}
	body.Steps = 0
	var refused *RefusedError
	if _, err := SendEntry(t.Context(), LocalGateway{Listen: addr}, body); !errors.As(err, &refused) || refused.Status != 422 || !strings.Contains(err.Error(), "number of steps") {
		t.Errorf("%v", err)
	}
	l.broken = errors.New("the card is full")
	body.Steps = 1
	if _, err := SendEntry(t.Context(), LocalGateway{Listen: addr}, body); !errors.As(err, &refused) || refused.Status != 503 {
		t.Errorf("%v", err)
	}

	strange := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("X-Redirected") == "" {
			http.Redirect(w, r, "http://"+addr+"/api/ledger", http.StatusTemporaryRedirect)
		}
	}))
	defer strange.Close()
	if _, err := SendEntry(t.Context(), LocalGateway{Listen: strange.Listener.Addr().String()}, body); !errors.As(err, &refused) || !strings.Contains(err.Error(), "is it a gapward?") {
		t.Errorf("%v", err)
	}
	dead := strange.Listener.Addr().String()
	strange.Close()
	if _, err := SendEntry(t.Context(), LocalGateway{Listen: dead}, body); err == nil || errors.As(err, &refused) || !strings.Contains(err.Error(), fmt.Sprintf("asking the gateway at %s", dead)) {
		t.Errorf("%v", err)
	}
}

// What looks like a slip of the pen is entered by nobody who doesn't say that it
// is so.
func TestAnEntryThatLooksWrongIsAskedAbout(t *testing.T) {
	deps := everySite(t)
	deps.Accounts = nil
	s := serverOf(t, deps)
	const reading = `{"brake":"quay-2/main","kind":"reading","who":"K. Berg","readings":{"gaps_mm":[95]}%s}`
	if w := post(s, fmt.Sprintf(reading, ""), nil); w.Code != 422 || !strings.Contains(w.Body.String(), "more than twice the maximum of quay-2/main, which is 3.40 mm") || !strings.Contains(w.Body.String(), "sure: true") {
		t.Errorf("a gap of 95 mm: %d %s", w.Code, w.Body)
	}
	if w := post(s, `{"brake":"quay-2/main","kind":"adjustment","who":"K. Berg","steps":100}`, nil); w.Code != 422 || !strings.Contains(w.Body.String(), "100 steps") {
		t.Errorf("100 holes: %d %s", w.Code, w.Body)
	}
	if w := post(s, fmt.Sprintf(reading, `,"sure":true`), nil); w.Code != 201 {
		t.Errorf("a gap of 95 mm that is meant: %d %s", w.Code, w.Body)
	}
	send := func(form string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/enter", strings.NewReader(form))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = "127.0.0.1:4711"
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	const form = "brake=quay-2%2Fmain&kind=reading&gaps=95&who=K.+Berg"
	w := send(form)
	if text := words(w.Body.String()); w.Code != 422 || !strings.Contains(text, "Not entered. A gap of 95.00 mm is more than twice the maximum") || !strings.Contains(text, "It is so: enter it as it stands") || !strings.Contains(w.Body.String(), `name="gaps" inputmode="decimal" value="95"`) {
		t.Errorf("by form: %d %.600s", w.Code, text)
	}
	if n := strings.Count(w.Body.String(), `name="sure"`); n != 1 {
		t.Errorf("it is asked %d times", n)
	}
	if w := send(form + "&sure=yes"); w.Code != 303 {
		t.Errorf("by form, and meant: %d %.300s", w.Code, words(w.Body.String()))
	}
	if w := send(strings.Replace(form, "gaps=95", "gaps=2.9", 1)); w.Code != 303 {
		t.Errorf("a gap of 2.9 mm: %d %.300s", w.Code, words(w.Body.String()))
	}
}

// Whatever way an entry came, the audit has who made it, from where, of what and
// with what outcome.
func TestEveryEntryIsInTheAudit(t *testing.T) {
	deps := everySite(t)
	deps.Accounts = nil
	var done []Audit
	deps.Audit = func(a Audit) { done = append(done, a) }
	s := serverOf(t, deps)
	if w := post(s, adjustmentBody, nil); w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if w := post(s, `{"brake":"quay-2/main","kind":"adjustment","steps":1,"who":"K. Berg","corrects":999}`, nil); w.Code != http.StatusUnprocessableEntity {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/enter", strings.NewReader("brake=quay-2%2Fmain&kind=reading&gaps=2.9&who=R.+Holm"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.RemoteAddr = "127.0.0.1:4711"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusSeeOther {
		t.Fatalf("%d %.300s", w.Code, words(w.Body.String()))
	}
	if len(done) != 3 {
		t.Fatalf("of three entries the audit has %d: %+v", len(done), done)
	}
	for i, want := range []struct{ who, did, outcome string }{{"K. Berg", "enter adjustment", "done"}, {"K. Berg", "enter adjustment", "999"}, {"R. Holm", "enter reading", "done"}} {
		if a := done[i]; a.Who != want.who || a.Did != want.did || !strings.Contains(a.Outcome, want.outcome) || !strings.Contains(a.About, "quay-2/main") || a.From != "127.0.0.1" || a.Time == "" {
			t.Errorf("entry %d is in the audit as %+v, want %+v", i, a, want)
		}
	}
}

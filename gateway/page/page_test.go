package page

import (
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
)

// serverOf makes a server, or fails the test.
func serverOf(t testing.TB, d Deps) *Server {
	t.Helper()
	s, err := New(d)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func get(s *Server, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

// words is the text of a page as a reader has it, on one line.
func words(page string) string {
	page = regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, " ")
	return strings.Join(strings.Fields(strings.ReplaceAll(html.UnescapeString(page), "\u00a0", " ")), " ")
}

func TestBoardTellsEveryState(t *testing.T) {
	deps, _ := harbourSite(t)
	deps.Demo = "Demonstration: invented data"
	w := get(serverOf(t, deps), "/")
	if w.Code != http.StatusOK {
		t.Fatalf("status %d", w.Code)
	}
	text := words(w.Body.String())
	at := 0
	for _, want := range []string{
		"Demonstration: invented data", "Kestrel Quay", "As of 12:00:00", "1 stop or failed 3 abnormal 1 not measured 2 in limits", "1 of 2 sources answer",
		"gantry-io does not answer , since 11:47 . reading input register 3 of gantry-io: no answer within 100 ms",
		"Stop using quay-2/ creep", "2.24 ± 0.04 mm 0.04 mm beyond max 2.2", "Release 188 ± 8 ms limit 250 ms", "Set 240 ± 10 ms limit 300 ms", "Forecast stop using it now",
		"Air gap has reached its maximum : 2.24 ± 0.04 mm (limit 2.20 mm), since 11:18 , not acknowledged.", "Land the load and stop using the hoist.",
		"Too narrow gantry-1/ hoist", "0.02 mm below min 0.3",
		"Adjust quay-2/ main", "limit 250 ms, slow", "adjust now; at its maximum in about 6 weeks (between 18 Dec and 17 Jan, 9 in 10)", "acknowledged by R. Holm.",
		"Signal silent gantry-1/ long-travel-north", "adjust in about 16 months (between 13 Dec 2027 and 19 Aug 2028, 9 in 10)",
		"Not measured pit/ hoist", "Air gap – not measured", "Release – not measured", "Forecast – none yet",
		"In limits quay-1/ main", "2.31 ± 0.04 mm 0.49 mm before adjust 2.8", "adjust in about 3 weeks (between 4 and 23 Dec, 9 in 10)",
		"In limits quay-1/ creep", "Set – not measured", "no wear seen yet, not before 3 Jan",
		"Before anybody touches a brake", "Isolate the supply", "not a safety function",
	} {
		next := strings.Index(text[at:], want)
		if next < 0 {
			t.Fatalf("after %q the board doesn't say %q", text[max(0, at-60):at], want)
		}
		at += next + len(want)
	}
	if !strings.Contains(w.Body.String(), `aria-label="Air gap 2.31`) {
		t.Error("the picture has no text for those who don't see it")
	}
}

func TestBoardWithNothingWrongIsQuiet(t *testing.T) {
	deps, data := harbourSite(t)
	deps.Health = nil
	deps.Brakes = deps.Brakes[:2]
	data.active = nil
	text := words(get(serverOf(t, deps), "/").Body.String())
	for _, unwanted := range []string{"Before anybody touches", "does not answer", "abnormal", "sources answer"} {
		if strings.Contains(text, unwanted) {
			t.Errorf("the board says %q without a cause", unwanted)
		}
	}
	if !strings.Contains(text, "All in limits – Kestrel Quay") {
		t.Error("the title doesn't say that all is well")
	}
}

func TestBrakePageTellsAll(t *testing.T) {
	deps, _ := harbourSite(t)
	w := get(serverOf(t, deps), "/brake/quay-2/main?span=30d")
	if w.Code != http.StatusOK {
		t.Fatalf("status %d", w.Code)
	}
	page := w.Body.String()
	text := words(page)
	at := 0
	for _, want := range []string{
		"quay-2/main: Adjust – Kestrel Quay", "All brakes", "2.83 ± 0.04 mm", "Before anybody touches a brake",
		"Holding chain quay-2 hoist . The load also hangs on quay-2/creep (Stop using)",
		"Gap history", "30 days", "Figures of this plot", "Last cycle", "Travel, released 4.930 mm", "Air gap of this cycle", "Set time 240 ± 14 ms",
		"Cycles so far: 48 213 full, 9 107 jogs. Wear: 30.0 ± 3.0 µm per 1000 cycles",
		"To adjust, 2.8 mm adjust now.", "To max, 3.4 mm at its maximum in about 6 weeks",
		"1 in 20 that it comes before 12 300 18 Dec 2026", "even odds before or after 18 040 1 Jan 2027", "19 in 20 that it comes before 24 600 17 Jan 2027",
		"Signals of this brake: travel, drive, released.", "gantry-io does not answer since 11:47 : reading input register 3",
		"Alarms so far", "09:00 raised: Brake releases slowly, 262 ± 8 ms (limit 250 ms)", "yesterday 10:00 raised: Air gap is due for adjustment",
		"Latest cycles", "11:53 full", "08:02 spikes, no set after full",
	} {
		next := strings.Index(text[at:], want)
		if next < 0 {
			t.Fatalf("after %q the page doesn't say %q", text[max(0, at-60):at], want)
		}
		at += next + len(want)
	}
	if got := strings.Count(page, "Before anybody touches"); got != 1 {
		t.Errorf("the cautions stand there %d times, want once", got)
	}
	for _, want := range []string{`href="/brake/quay-2/main?span=30d#history" aria-current="true"`, `src="/plot/gap/quay-2/main.svg?span=30d`, `src="/plot/cycle/quay-2/main.svg?v=`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %s", want)
		}
	}
}

// Where nothing counts cycles there is a date, and no wear for each of them.
func TestBrakeFollowedByTimeAlone(t *testing.T) {
	deps, data := harbourSite(t)
	body := func() string { return words(get(serverOf(t, deps), "/brake/quay-1/creep").Body.String()) }
	const none, days = "none that can be told from zero", "followed over days, for no cycles are counted"
	if got := body(); !strings.Contains(got, none) || strings.Contains(got, days) {
		t.Error("no wear that can be told from zero, and the page doesn't say so")
	}
	for i := range data.forecasts {
		if f := &data.forecasts[i]; f.Brake == "quay-1/creep" {
			f.DateNS.P50 = f.DateNS.P05 + 30*24*3600e9
		}
	}
	if got := body(); strings.Contains(got, none) || !strings.Contains(got, days) {
		t.Error("a dated forecast stands beside wear that is said not to be seen")
	}
}

func TestBrakePageWithNothingMeasured(t *testing.T) {
	deps, _ := harbourSite(t)
	w := get(serverOf(t, deps), "/brake/pit/hoist")
	text := words(w.Body.String())
	for _, want := range []string{"Not measured pit/ hoist", "No gap was measured in this span.", "No cycle yet.", "None yet: it takes some full cycles.",
		"none; its gap comes from hand measurements", "Alarms so far None.", "Latest cycles None yet."} {
		if !strings.Contains(text, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	if strings.Contains(text, "Before anybody touches") || strings.Contains(text, "NaN") {
		t.Error("the page has cautions without a cause, or a NaN")
	}
}

func TestNamesAreEscapedEverywhere(t *testing.T) {
	const evil = `<script>alert("x")</script>`
	deps, data := harbourSite(t)
	name := `a&b"` + evil
	deps.Site, deps.Demo, deps.Version = evil, evil, evil
	b := brakeOf(name, evil, 1.2, 1.6, 2.8, 3.4)
	b.Kind, b.Chain = evil, evil
	deps.Brakes = []Brake{b}
	deps.Health = func() []SourceHealth { return []SourceHealth{{Device: evil, Error: evil}} }
	data.verdicts[name] = data.verdicts["quay-2/main"]
	data.cycles[name] = data.cycles["quay-2/main"]
	data.waves[name] = data.waves["quay-2/main"]
	for i := range data.active {
		data.active[i].Brake, data.active[i].By, data.active[i].Unit = name, evil, evil
	}
	s := serverOf(t, deps)
	for _, path := range []string{"/", pathOf("/brake/", name), "/brake/" + "%3Cscript%3E", pathOf("/plot/gap/", name) + ".svg", pathOf("/plot/cycle/", name) + ".svg"} {
		w := get(s, path)
		if body := w.Body.String(); strings.Contains(body, "<script>") || strings.Contains(body, `"x"`) {
			t.Errorf("%s (status %d) lets a name through unescaped", path, w.Code)
		}
	}
	if w := get(s, pathOf("/brake/", name)); w.Code != http.StatusOK {
		t.Errorf("the brake's own page has status %d", w.Code)
	}
}

func TestNothingIsScriptedOrStyledInline(t *testing.T) {
	deps := everySite(t)
	signedIn := deps.Accounts
	deps.Accounts = nil
	s := serverOf(t, deps)
	inline := regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+=|<script(?:[^>]*src)?[^>]*>[^<]|javascript:`)
	check := func(s *Server, path string) {
		t.Helper()
		w := getHere(s, path)
		if found := inline.FindString(w.Body.String()); found != "" || w.Body.Len() < 1000 {
			t.Errorf("%s has %q, which the content security policy forbids, in %d bytes", path, found, w.Body.Len())
		}
		if csp := w.Header().Get("Content-Security-Policy"); csp != "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'" {
			t.Errorf("%s: the policy is %q", path, csp)
		}
	}
	for _, path := range []string{"/", "/?by=crane&from=1", "/brake/quay-2/main", "/brake/pit/hoist", "/alarms", "/enter", "/enter?brake=quay-2/main", "/report", "/audit", "/nowhere"} {
		check(s, path)
	}
	deps.Accounts = signedIn
	check(serverOf(t, deps), "/signin")
}

func TestHeadersOnEveryAnswer(t *testing.T) {
	deps, data := harbourSite(t)
	s := serverOf(t, deps)
	check := func(path string, w *httptest.ResponseRecorder, status int) {
		t.Helper()
		if w.Code != status {
			t.Errorf("%s: status %d, want %d", path, w.Code, status)
		}
		h := w.Header()
		if !strings.HasPrefix(h.Get("Content-Security-Policy"), "default-src 'self'") || strings.Contains(h.Get("Content-Security-Policy"), "unsafe") ||
			h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" || h.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: headers %v", path, h)
		}
	}
	for path, status := range map[string]int{
		"/": 200, "/?fragment=1": 200, "/brake/quay-1/main": 200, "/brake/quay-9/main": 404, "/brake/": 404, "/brake/quay-1/main?span=2d": 400, "/nowhere": 404,
		"/api/brakes": 200, "/api/brake/quay-1/main": 200, "/api/brake/x": 404, "/api/cycles/quay-1/main": 200, "/api/cycles/x": 404, "/api/cycles/quay-1/main?limit=0": 400,
		"/api/cycles/quay-1/main?limit=10001": 400, "/api/cycles/quay-1/main?from=yesterday": 400, "/api/alarms": 200, "/api/alarms?brake=x": 404, "/api/alarms?limit=a": 400,
		"/api/health": 200, "/api/": 404, "/api/x": 404, "/healthz": 200, "/readyz": 200, "/metrics": 404, "/plot/gap/x.svg": 404, "/plot/gap/quay-1/main": 404,
		"/plot/gap/quay-1/main.svg?span=x": 400, "/plot/cycle/pit/hoist.svg": 404, "/static/x.css": 404,
	} {
		check(path, get(s, path), status)
	}
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodDelete} {
		for _, path := range []string{"/", "/brake/quay-1/main", "/api/brakes", "/events", "/readyz"} {
			w := httptest.NewRecorder()
			s.Handler().ServeHTTP(w, httptest.NewRequest(method, path, nil))
			check(method+" "+path, w, http.StatusMethodNotAllowed)
		}
	}
	data.change(func() { data.broken = errBroken })
	for _, path := range []string{"/", "/brake/quay-1/main", "/api/brakes", "/api/brake/quay-1/main", "/api/cycles/quay-1/main", "/api/alarms", "/plot/gap/quay-1/main.svg", "/plot/cycle/quay-1/main.svg"} {
		w := get(s, path)
		check(path+" of a broken store", w, http.StatusInternalServerError)
		if strings.Contains(w.Body.String(), "disk") {
			t.Errorf("%s shows the store's own words", path)
		}
	}
}

func TestStaticFilesMayBeKept(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	page := get(s, "/").Body.String()
	links := regexp.MustCompile(`/static/[^"]+`).FindAllString(page, -1)
	if len(links) != 3 {
		t.Fatalf("the page names %d static files, want 3: %v", len(links), links)
	}
	total := len(page)
	for _, link := range links {
		w := get(s, link)
		total += w.Body.Len()
		if w.Code != 200 || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") || w.Header().Get("Etag") == "" {
			t.Errorf("%s: status %d, headers %v", link, w.Code, w.Header())
		}
		if strings.HasPrefix(link, "/static/page.js") && w.Body.Len() > 3500 {
			t.Errorf("the script has %d bytes, want less than 3.5 kB", w.Body.Len())
		}
		r := httptest.NewRequest(http.MethodGet, link, nil)
		r.Header.Set("If-None-Match", w.Header().Get("Etag"))
		again := httptest.NewRecorder()
		s.Handler().ServeHTTP(again, r)
		if again.Code != http.StatusNotModified || again.Body.Len() != 0 {
			t.Errorf("%s again: status %d with %d bytes", link, again.Code, again.Body.Len())
		}
	}
	t.Logf("the board of %d brakes takes %d bytes in all", len(deps.Brakes), total)
	if total > 100_000 {
		t.Errorf("the first paint takes %d bytes, want 100 kB at most", total)
	}
	if w := get(s, "/static/page.css"); w.Header().Get("Cache-Control") != "no-cache" {
		t.Errorf("without its version a file may be kept: %q", w.Header().Get("Cache-Control"))
	}
}

func TestFragmentIsTheMainPartOnly(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	whole, part := get(s, "/brake/quay-1/main?span=1y").Body.String(), get(s, "/brake/quay-1/main?span=1y&fragment=1").Body.String()
	if !strings.HasPrefix(part, "<main ") || !strings.HasSuffix(part, "</main>") || !strings.Contains(whole, part) {
		t.Errorf("the fragment is not the page's main part: %.80q … %.40q", part, part[max(0, len(part)-40):])
	}
}

func TestProbes(t *testing.T) {
	deps, _ := harbourSite(t)
	var wrong error
	deps.Ready = func() error { return wrong }
	deps.Alive = func() error { return nil }
	s := serverOf(t, deps)
	if w := get(s, "/readyz"); w.Code != 200 || w.Body.String() != "ready\n" {
		t.Errorf("ready: %d %q", w.Code, w.Body)
	}
	wrong = errors.New("device pit-io: nothing heard yet\nstore: the disk is full")
	if w := get(s, "/readyz"); w.Code != 503 || w.Body.String() != "device pit-io: nothing heard yet\nstore: the disk is full\n" {
		t.Errorf("not ready: %d %q", w.Code, w.Body)
	}
	if w := get(s, "/healthz"); w.Code != 200 || w.Body.String() != "alive\n" {
		t.Errorf("alive: %d %q", w.Code, w.Body)
	}
	var health struct {
		Alive, Ready bool
		Reasons      []string
		Sources      []struct {
			Device, Since, Error string
			OK                   bool
		}
	}
	decode(t, get(s, "/api/health"), &health)
	if !health.Alive || health.Ready || len(health.Reasons) != 2 || len(health.Sources) != 2 || health.Sources[1].OK || health.Sources[1].Since != "2026-11-18T11:47:00Z" {
		t.Errorf("health is %+v", health)
	}
}

func TestMetricsAreThoseGiven(t *testing.T) {
	deps, _ := harbourSite(t)
	deps.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = fmt.Fprint(w, "gapward_up 1\n") })
	if w := get(serverOf(t, deps), "/metrics"); w.Body.String() != "gapward_up 1\n" {
		t.Errorf("got %q", w.Body)
	}
}

func TestNewRefusesWhatCantWork(t *testing.T) {
	deps, _ := harbourSite(t)
	deps.Brakes = append(deps.Brakes, deps.Brakes[0])
	if _, err := New(deps); err == nil {
		t.Error("two brakes of one name were taken")
	}
	if _, err := New(Deps{}); err == nil {
		t.Error("a page without data was taken")
	}
	if got := (Settings{}).Address(); got != "127.0.0.1:8480" {
		t.Errorf("the address is %q", got)
	}
}

func TestTimesAreInTheZoneOfTheClock(t *testing.T) {
	deps, _ := harbourSite(t)
	deps.Now = func() time.Time { return noon().In(time.FixedZone("CET", 3600)) }
	text := words(get(serverOf(t, deps), "/").Body.String())
	for _, want := range []string{"As of 13:00:00", "Times are CET (UTC+01:00)", "since 12:18 , not acknowledged"} {
		if !strings.Contains(text, want) {
			t.Errorf("the board doesn't say %q", want)
		}
	}
}

func decode(t *testing.T, w *httptest.ResponseRecorder, into any) {
	t.Helper()
	if kind := w.Header().Get("Content-Type"); kind != "application/json" {
		t.Errorf("the answer is %q", kind)
	}
	if err := json.Unmarshal(w.Body.Bytes(), into); err != nil {
		t.Fatalf("%v in %.200q", err, w.Body)
	}
}

func TestPictureStaysOnItsScale(t *testing.T) {
	b := brakeOf("a", "", 1.2, 1.6, 2.8, 3.4)
	place := regexp.MustCompile(`^(?:100|\d{1,2}(?:\.\d{1,2})?)%$`)
	for _, gap := range []float64{0, -0.2, 1.2, 3.4, 3.9, 5, 50, math.NaN()} {
		p := pictureOf(&standing{brake: &b, judged: true, verdict: analysis.Verdict{State: analysis.InLimits, GapMM: gap, GapUMM: 0.3}})
		places := []string{p.Min, p.Target, p.Adjust, p.Max, p.Working, p.Late, p.Beyond}
		if p.Has {
			places = append(places, p.Gap, p.Low, p.High, p.Whisker)
		}
		for _, v := range places {
			if !place.MatchString(v) {
				t.Errorf("a gap of %v mm puts something at %q", gap, v)
			}
		}
		if p.Has == math.IsNaN(gap) {
			t.Errorf("a gap of %v mm is drawn: %v", gap, p.Has)
		}
	}
}

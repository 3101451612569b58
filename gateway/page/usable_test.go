package page

import (
	"context"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/accounts"
	"gapward/gateway/page/pagetest"
	"gapward/gateway/report"
	"gapward/gateway/store"

	"github.com/chromedp/chromedp"
)

// everySite is a site whose pages have all that a page may have: brakes and
// alarms in every state, plans, a ledger, accounts, and the demonstration's
// banner.
func everySite(t *testing.T) Deps {
	t.Helper()
	deps, _, data := belledSite(t)
	data.active = data.active[:len(data.active)-1] // quay-1/main stays in limits
	deps.Demo = "Demonstration: simulated hoists, invented data"
	deps.Plan = func(_ context.Context, brake string) (analysis.ChainPlan, error) {
		if brake == "quay-1/main" {
			return analysis.ChainPlan{}, nil
		}
		return planned(1.82, 2.82, 0), nil
	}
	db := filledStore(t, data)
	deps.Data = db
	deps.Ledger = &storedLedger{DB: db}
	var b store.Batch
	for _, e := range []analysis.Entry{
		{AtNS: ago(40 * day), Kind: analysis.Adjustment, Steps: 2, Who: "K. Berg", Note: "wet, wind from the west"},
		{AtNS: ago(39 * day), Kind: analysis.Adjustment, Steps: 1, Who: "K. Berg", Corrects: 1},
		{AtNS: ago(3 * day), Kind: analysis.Reading, GapMM: 2.79, GapUMM: 0.03, Repeats: 3, Who: "R. Holm"},
	} {
		e.EnteredNS = e.AtNS
		b.Ledger = append(b.Ledger, store.LedgerRow{Brake: "quay-2/main", Entry: e})
	}
	if err := db.Commit(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	r := report.Deps{Site: deps.Site, Demo: deps.Demo, Version: deps.Version, Data: db, Plan: deps.Plan}
	for _, b := range deps.Brakes {
		one := report.Brake{Settings: analysis.Settings{Name: b.Name, Limits: b.Limits, Timing: b.Timing}, Crane: b.Crane, Chain: b.Chain}
		if b.Name == "quay-2/main" {
			one.Settings.Adjuster = analysis.Adjuster{Ring: &analysis.Ring{Holes: 6, PitchMM: 3, Uses: 3}}
		}
		r.Brakes = append(r.Brakes, one)
	}
	deps.Record = func(ctx context.Context, q report.Query) (*report.Record, error) { return report.Make(ctx, r, q) }
	person, err := accounts.NewPassword("R. Holm", accounts.Admin, phrase)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "accounts")
	if err := accounts.Put(path, person, false); err != nil {
		t.Fatal(err)
	}
	book, err := accounts.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	deps.Accounts = accounts.NewDesk(book)
	deps.ReadAudit = func(int) ([]Audit, error) {
		return []Audit{{Time: rfcNano(ago(time.Hour)), Who: "K. Berg", Role: "technician", From: "192.0.2.7", Did: "enter adjustment", About: "quay-2/main, entry 2", Outcome: "done"},
			{Time: rfcNano(ago(2 * time.Hour)), Who: "k. berg", From: "192.0.2.7", Did: "sign in", Outcome: "the name or the password is wrong"}}, nil
	}
	return deps
}

// Every page, as a person comes to see it, at a desk, light and dark, and on a
// phone, is judged by axe-core.
func TestEverybodyCanUseEveryPage(t *testing.T) {
	axe := pagetest.Axe(t)
	ctx := pagetest.Browser(t)
	for _, screen := range pagetest.Screens()[:2] {
		for _, scheme := range []string{"light", "dark"} {
			if screen.Mobile && scheme == "dark" {
				continue // its colours are those of the desk, its layout that of the light one
			}
			t.Run(screen.Name+"-"+scheme, func(t *testing.T) {
				web := httptest.NewServer(serverOf(t, everySite(t)).Handler())
				t.Cleanup(web.Close)
				t.Cleanup(web.CloseClientConnections)
				pagetest.Sit(t, ctx, screen, scheme, true)
				look := func(name string) {
					t.Helper()
					pagetest.NoSidewaysScroll(t, ctx, name)
					pagetest.Usable(t, ctx, axe, name)
					pagetest.Shoot(t, ctx, name+"-"+screen.Name+"-"+scheme)
				}
				see := func(path string) {
					t.Helper()
					pagetest.Do(t, ctx, chromedp.Navigate(web.URL+path), chromedp.WaitVisible(chromedp.CSS("h1, h2")))
				}

				see("/")
				pagetest.Eventually(t, ctx, "nobody is asked to sign in", `location.pathname === "/signin"`)
				look("signin")
				pagetest.Do(t, ctx, chromedp.SendKeys("input[name=name]", "R. Holm"), chromedp.SendKeys("input[name=password]", "wrong password"), chromedp.Click("main button"))
				pagetest.Eventually(t, ctx, "a wrong password was not told", `document.querySelector("[role=alert]") !== null`)
				look("signin-wrong")
				pagetest.Do(t, ctx, chromedp.SendKeys("input[name=password]", phrase), chromedp.Click("main button"))
				pagetest.Eventually(t, ctx, "signing in led nowhere", `location.pathname === "/" && document.getElementById("live").textContent === "Live"`)
				look("every-board")
				see("/?by=crane&state=abnormal")
				look("board-by-crane")
				see("/brake/quay-2/main")
				pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true); void 0`))
				look("every-brake")
				see("/brake/pit/hoist")
				look("brake-unmeasured")
				see("/alarms")
				look("alarms")
				pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true); void 0`))
				look("alarms-open")
				see("/enter")
				look("enter-choose")
				see("/enter?brake=quay-2/main")
				look("enter")
				pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true); void 0`))
				look("enter-open")
				see("/report")
				look("report")
				see("/api/report?brake=quay-2/main&format=html")
				look("record")
				see("/audit")
				look("audit")
				see("/nowhere")
				look("nowhere")
				see("/")
				pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
				web.CloseClientConnections()
				web.Config.Handler = http.NotFoundHandler()
				pagetest.Eventually(t, ctx, "the page never said that its connection is lost", `document.getElementById("live").className === "lost"`)
				look("lost-connection")
				pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
			})
		}
	}
}

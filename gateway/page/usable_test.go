package page

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
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
	r := report.Deps{Site: deps.Site, SiteFile: strings.Repeat("0f", 32), Demo: deps.Demo, Version: deps.Version, Data: db, Plan: deps.Plan}
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

// Every page, as a person comes to see it, is judged by axe-core: light at a desk
// and dark on a phone.
func TestEverybodyCanUseEveryPage(t *testing.T) {
	axe := pagetest.Axe(t)
	ctx := pagetest.Browser(t)
	deps := everySite(t)
	crowd(&deps)
	web := httptest.NewServer(serverOf(t, deps).Handler())
	t.Cleanup(web.Close)
	t.Cleanup(web.CloseClientConnections)
	desk := pagetest.Screens()[0]
	phone := pagetest.Screens()[1]
	// A page stays as it is while screen and colours change around it. Neither has
	// to do with the other: a screen moves things and a scheme colours them, so that
	// each page is judged on either screen and in either scheme once.
	look := func(name string) {
		t.Helper()
		for _, seat := range []struct {
			screen pagetest.Screen
			scheme string
		}{{phone, "dark"}, {desk, "light"}} {
			as := name + "-" + seat.screen.Name + "-" + seat.scheme
			pagetest.Sit(t, ctx, seat.screen, seat.scheme, true)
			pagetest.NoSidewaysScroll(t, ctx, as)
			pagetest.Usable(t, ctx, axe, as)
			pagetest.Shoot(t, ctx, as)
		}
	}
	see := func(path string) {
		t.Helper()
		pagetest.Do(t, ctx, chromedp.Navigate(web.URL+path), chromedp.WaitVisible(chromedp.CSS("h1, h2")))
	}
	open := func() {
		t.Helper()
		pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true); void 0`))
	}

	pagetest.Sit(t, ctx, desk, "light", true)
	see("/")
	pagetest.Eventually(t, ctx, "nobody is asked to sign in", `location.pathname === "/signin"`)
	look("signin")
	pagetest.Do(t, ctx, chromedp.SendKeys("input[name=name]", "R. Holm"), chromedp.SendKeys("input[name=password]", "wrong password"), chromedp.Click("main button"))
	pagetest.Eventually(t, ctx, "a wrong password was not told", `document.querySelector("[role=alert]") !== null`)
	look("signin-wrong")
	pagetest.Do(t, ctx, chromedp.SendKeys("input[name=password]", phrase), chromedp.Click("main button"))
	pagetest.Eventually(t, ctx, "signing in led nowhere", `location.pathname === "/" && document.getElementById("live").textContent === "Live"`)
	look("every-board")
	for _, p := range []struct {
		name, path string
		open       bool // what can be opened is
	}{
		{"board-by-crane", "/?by=crane&state=abnormal", false}, {"board-further", "/?from=21", false}, {"board-none", "/?state=notice&due=1", false},
		{"every-brake", "/brake/quay-2/main", true}, {"brake-unmeasured", "/brake/pit/hoist", true}, {"brake-narrow-gap", "/brake/gantry-1/hoist?span=all", false},
		{"alarms", "/alarms", false}, {"alarms-open", "/alarms?crane=quay-2", true}, {"alarms-further", "/alarms?from=21", false}, {"alarms-none", "/alarms?state=out-of-service", false},
		{"enter-choose", "/enter", false}, {"enter", "/enter?brake=quay-2/main", false}, {"enter-open", "/enter?brake=quay-2/main", true},
		{"report", "/report", false}, {"record", "/api/report?brake=quay-2/main&format=html", false}, {"audit", "/audit", false},
		{"nowhere", "/nowhere", false}, {"no-such-board", "/?state=odd", false},
	} {
		if see(p.path); p.open {
			open()
		}
		look(p.name)
	}
	// A form that was refused, with what it was sent.
	see("/enter?brake=quay-2/main")
	pagetest.Do(t, ctx, chromedp.Click("#kind-reading summary"), chromedp.SendKeys("#kind-reading input[name=gaps]", "95"), chromedp.Click("#kind-reading form button"))
	pagetest.Eventually(t, ctx, "a gap of 95 mm was not asked about", `document.querySelector("[role=alert]") !== null && document.querySelector("[name=sure]") !== null`)
	look("enter-doubted")

	see("/")
	pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	web.CloseClientConnections()
	web.Config.Handler = http.NotFoundHandler()
	pagetest.Eventually(t, ctx, "the page never said that its connection is lost", `document.getElementById("live").className === "lost"`)
	look("lost-connection")
	pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
}

// crowd gives a site a second page of brakes and alarms, of which one has a name
// that fits nowhere.
func crowd(d *Deps) {
	d.Brakes = append(d.Brakes, brakeOf("transfer-car-of-the-northern-extension/auxiliary-hoist-upper-platform-2/creep", "", 0.8, 1, 1.8, 2.2))
	for i := range 20 {
		d.Brakes = append(d.Brakes, brakeOf(fmt.Sprintf("hall-%d/hoist", i+1), "QK-90", 1.2, 1.6, 2.8, 3.4))
	}
	d.Data = crowded{d.Data, d.Brakes[len(d.Brakes)-21:]}
}

// crowded has an alarm on each of some more brakes.
type crowded struct {
	Data
	brakes []Brake
}

// ActiveAlarms implements [Data].
func (c crowded) ActiveAlarms(ctx context.Context) ([]store.AlarmRow, error) {
	rows, err := c.Data.ActiveAlarms(ctx)
	for i, b := range c.brakes {
		rows = append(rows, store.AlarmRow{ID: int64(10_000 + i), Event: alerts.Event{AtNS: ago(time.Hour), SinceNS: ago(time.Hour), Brake: b.Name, Condition: analysis.SlowRelease,
			Change: alerts.Raised, State: alerts.Unacknowledged, Marks: alerts.MarkStanding, Value: 0.27, U: 0.004, Limit: 0.25, Unit: "s"}})
	}
	return rows, err
}

package page

import (
	"net/http/httptest"
	"strings"
	"testing"

	"gapward/analysis"
	"gapward/gateway/page/pagetest"

	"github.com/chromedp/chromedp"
)

func TestChromiumShowsTheBrakesLive(t *testing.T) {
	ctx := pagetest.Browser(t)
	for _, screen := range pagetest.Screens() {
		for _, scheme := range []string{"light", "dark"} {
			t.Run(screen.Name+"-"+scheme, func(t *testing.T) {
				deps, data := harbourSite(t)
				deps.Demo = "Demonstration: simulated hoists, invented data"
				s, err := New(deps)
				if err != nil {
					t.Fatal(err)
				}
				web := httptest.NewServer(s.Handler())
				t.Cleanup(web.Close)
				t.Cleanup(web.CloseClientConnections)
				pagetest.Sit(t, ctx, screen, scheme, true)
				pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/"))
				pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
				pagetest.NoSidewaysScroll(t, ctx, "the board")
				pagetest.Shoot(t, ctx, "board-"+screen.Name+"-"+scheme)

				order := pagetest.Eval[string](t, ctx, `[...document.querySelectorAll(".board h2")].map(h => h.textContent.trim()).join(" ")`)
				const want = "quay-2/creep gantry-1/hoist quay-2/main gantry-1/long-travel-north pit/hoist quay-1/main quay-1/creep"
				if order != want {
					t.Errorf("the order is %q, want %q", order, want)
				}

				pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`window.same = 1; void 0`))
				data.change(func() {
					v := data.verdicts["quay-1/creep"]
					v.GapMM = 1.37
					data.verdicts["quay-1/creep"] = v
				})
				pagetest.Eventually(t, ctx, "the new gap never came", `document.getElementById("brake-quay-1/creep").querySelector(".reading b").textContent === "1.37"`)
				if !pagetest.Eval[bool](t, ctx, "window.same === 1") {
					t.Error("the page was loaded anew instead of being updated")
				}

				pagetest.Do(t, ctx, chromedp.Click(`#brake-quay-1\/main h2 a`), chromedp.WaitVisible("#cycles-h"))
				pagetest.Eventually(t, ctx, "the plots were never drawn", `document.querySelectorAll("img.plot").length === 3 && [...document.querySelectorAll("img.plot")].every(i => i.complete && i.naturalWidth > 0 && i.getBoundingClientRect().width > 250)`)
				pagetest.NoSidewaysScroll(t, ctx, "the brake's page")
				pagetest.Shoot(t, ctx, "brake-"+screen.Name+"-"+scheme)

				pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/brake/quay-2/main"), chromedp.WaitVisible("#cautions-h"))
				pagetest.NoSidewaysScroll(t, ctx, "the page of a brake to be adjusted")
				pagetest.Shoot(t, ctx, "due-"+screen.Name+"-"+scheme)
				// Away from the server, so that no stream stays open.
				pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
			})
		}
	}
}

func TestChromiumKeepsWhatTheReaderDid(t *testing.T) {
	ctx := pagetest.Browser(t)
	deps, data := harbourSite(t)
	s, err := New(deps)
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(s.Handler())
	defer web.Close()
	pagetest.Do(t, ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(web.URL+"/"))
	pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("#brake-quay-1\\/main h2 a").focus(); document.querySelector("#brake-quay-1\\/main h2 a").dataset.kept = "1"; void 0`))
	// The focused brake goes from the end of the board to near its top.
	data.change(func() {
		v := data.verdicts["quay-1/main"]
		v.State, v.GapMM = analysis.StopUsing, 3.41
		data.verdicts["quay-1/main"] = v
	})
	pagetest.Eventually(t, ctx, "the brake never rose", `document.querySelectorAll(".board > li")[1].id === "brake-quay-1/main"`)
	if got := pagetest.Eval[string](t, ctx, `document.activeElement.textContent.trim()`); got != "quay-1/main" {
		t.Errorf("after the update the focus is on %q, want quay-1/main", got)
	}

	pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/brake/quay-1/main"))
	pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	pagetest.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("details").open = true; scrollTo(0, 700); void 0`))
	before := pagetest.Eval[int](t, ctx, "Math.round(scrollY)")
	data.change(func() {
		v := data.verdicts["quay-1/main"]
		v.GapMM = 3.52
		data.verdicts["quay-1/main"] = v
	})
	pagetest.Eventually(t, ctx, "the new gap never came", `document.querySelector(".reading b").textContent === "3.52"`)
	if !pagetest.Eval[bool](t, ctx, `document.querySelector("details").open`) {
		t.Error("the update closed the details that the reader had opened")
	}
	if after := pagetest.Eval[int](t, ctx, "Math.round(scrollY)"); before < 300 || after-before > 40 || before-after > 40 {
		t.Errorf("the page stood at %d px before the update and stands at %d px after it", before, after)
	}

	web.CloseClientConnections()
	web.Close()
	pagetest.Eventually(t, ctx, "the page never said that its connection is lost", `document.getElementById("live").textContent.startsWith("Connection lost since")`)
	pagetest.Shoot(t, ctx, "lost")
}

func TestChromiumWithoutScript(t *testing.T) {
	ctx := pagetest.Browser(t)
	deps, _ := harbourSite(t)
	s, err := New(deps)
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(s.Handler())
	defer web.Close()
	pagetest.Sit(t, ctx, pagetest.Screens()[1], "light", false)
	pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/"))
	text, err := chromedp.Run(ctx, chromedp.TextContent("body"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"2.24", "Stop using", "Air gap has reached its maximum", "adjust in about 3\u00a0weeks", "As of 12:00:00"} {
		if !strings.Contains(text, want) {
			t.Errorf("without script the board doesn't show %q", want)
		}
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(web.URL+"/brake/quay-1/main?span=30d")); err != nil {
		t.Fatal(err)
	}
	box, err := chromedp.Run(ctx, chromedp.Dimensions("img.plot"))
	if err != nil {
		t.Fatal(err)
	}
	if box.Width < 250 || box.Height < 150 {
		t.Errorf("without script the plot is %d by %d px", box.Width, box.Height)
	}
	pagetest.Shoot(t, ctx, "brake-without-script")
}

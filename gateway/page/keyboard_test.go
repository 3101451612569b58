package page

import (
	"context"
	"net/http/httptest"
	"strings"
	"testing"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/page/pagetest"
	"gapward/gateway/store"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// focused tells what has the focus: whether it can be seen, and whether it
// shows that it has it.
const focused = `(() => {
	const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
	return {
		what: e.tagName + (e.id ? "#" + e.id : "") + " " + (e.innerText || e.value || e.name || e.getAttribute("aria-label") || "").trim().slice(0, 60),
		seen: r.width > 0 && r.height > 0 && r.bottom > 0 && r.top < innerHeight && r.right > 0 && r.left < innerWidth,
		marked: s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 || e.classList.contains("skip"),
	};
})()`

type focusState struct {
	What         string
	Seen, Marked bool
}

// tabTo presses Tab until what a selector names has the focus. On the way each
// stop must be seen and marked.
func tabTo(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	for range 60 {
		pagetest.Do(t, ctx, chromedp.KeyEvent(kb.Tab))
		f := pagetest.Eval[focusState](t, ctx, focused)
		if strings.HasPrefix(f.What, "BODY") {
			continue // nothing has it: past the last stop, or a page that is only just coming
		}
		if !f.Seen || !f.Marked {
			t.Errorf("the focus on %s is not to be seen: %+v", f.What, f)
		}
		if pagetest.Eval[bool](t, ctx, `document.activeElement.matches(`+"`"+selector+"`"+`)`) {
			return
		}
	}
	t.Fatalf("sixty times Tab don't lead to %s", selector)
}

// The way from the board to what is done about an alarm, and to an entry, with
// the keyboard alone.
func TestKeyboardAlone(t *testing.T) {
	ctx := pagetest.Browser(t)
	deps := everySite(t)
	bells := &rung{}
	deps.Accounts, deps.Alarms = nil, bells // from the gateway's own machine
	web := httptest.NewServer(serverOf(t, deps).Handler())
	t.Cleanup(web.Close)
	t.Cleanup(web.CloseClientConnections)
	pagetest.Sit(t, ctx, pagetest.Screens()[0], "light", true)
	enter := func() { t.Helper(); pagetest.Do(t, ctx, chromedp.KeyEvent(kb.Enter)) }
	write := func(text string) { t.Helper(); pagetest.Do(t, ctx, chromedp.KeyEvent(text)) }

	pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/"))
	pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	tabTo(t, ctx, "a.skip")
	enter()
	pagetest.Eventually(t, ctx, "the way past the head leads nowhere", `document.activeElement.id === "main"`)
	tabTo(t, ctx, `#brake-quay-2\\/creep h2 a`)
	tabTo(t, ctx, `#brake-quay-2\\/main h2 a`)
	enter()
	pagetest.Eventually(t, ctx, "the brake's page never came", `document.getElementById("cycles-h") !== null && document.getElementById("live").textContent === "Live"`)
	tabTo(t, ctx, ".go a")
	enter()
	pagetest.Eventually(t, ctx, "the alarms never came", `location.pathname === "/alarms" && document.readyState === "complete"`)
	tabTo(t, ctx, `form:has([value="acknowledge"]) [name="by"]`)
	write("R. Holm")
	tabTo(t, ctx, `form:has([value="acknowledge"]) button`)
	enter()
	pagetest.Eventually(t, ctx, "nothing was acknowledged", `location.search.includes("done=acknowledged")`)
	if len(bells.acts) != 1 || bells.acts[0].Key != (alerts.Key{Brake: "quay-2/main", Condition: analysis.SlowRelease}) || bells.acts[0].By != "R. Holm" {
		t.Errorf("done: %+v", bells.acts)
	}
	tabTo(t, ctx, `summary`)
	enter()
	pagetest.Eventually(t, ctx, "shelving doesn't open", `document.querySelector("details").open`)
	tabTo(t, ctx, `select[name="for"]`)
	tabTo(t, ctx, `input[name="reason"]`)
	write("springs on order")
	tabTo(t, ctx, `details input[name="by"]`)
	write("R. Holm")
	enter() // in a field sends its form
	pagetest.Eventually(t, ctx, "nothing was shelved", `location.search.includes("done=shelved")`)
	if len(bells.acts) != 2 || bells.acts[1].Do != alerts.ShelvedBy || bells.acts[1].Reason != "springs on order" {
		t.Errorf("done: %+v", bells.acts)
	}

	pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/enter?brake=quay-2/main"))
	tabTo(t, ctx, `#kind-adjustment summary`)
	enter()
	tabTo(t, ctx, `#kind-adjustment [name="steps"]`)
	write("2")
	tabTo(t, ctx, `#kind-adjustment [name="who"]`)
	write("K. Berg")
	enter()
	pagetest.Eventually(t, ctx, "nothing was entered", `document.querySelector(".said")?.textContent.includes("adjusted by 2 holes")`)
	pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
}

// What somebody writes about one alarm stays with that alarm, whatever comes
// above it meanwhile; and what the page answers stands until it has been read.
func TestAFormStaysWithItsAlarm(t *testing.T) {
	ctx := pagetest.Browser(t)
	deps, bells, data := belledSite(t)
	web := httptest.NewServer(serverOf(t, deps).Handler())
	t.Cleanup(web.Close)
	t.Cleanup(web.CloseClientConnections)
	pagetest.Sit(t, ctx, pagetest.Screens()[1], "light", true)
	pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/alarms"))
	pagetest.Eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	const first = `document.querySelector(".alarm h3").textContent`
	if got := pagetest.Eval[string](t, ctx, first); got != "quay-2/creep: Air gap has reached its maximum" {
		t.Fatalf("the first alarm is %q", got)
	}
	const card = `.alarm:first-child `
	pagetest.Do(t, ctx, chromedp.Click(chromedp.CSS(card+"summary")), chromedp.SendKeys(chromedp.CSS(card+`[name="reason"]`), "crane is stopped"),
		chromedp.SendKeys(chromedp.CSS(card+`details [name="by"]`), "R. Holm"))
	data.change(func() {
		worse := data.active[2]
		worse.Brake, worse.Condition, worse.SinceNS = "quay-1/main", analysis.NotReleased, ago(0)
		data.active = append([]store.AlarmRow{worse}, data.active...)
	})
	pagetest.Eventually(t, ctx, "the new alarm never came", first+` === "quay-1/main: Brake does not release"`)
	if got := pagetest.Eval[string](t, ctx, `[...document.querySelectorAll("[name=reason]")].filter(e => e.value).map(e => e.closest(".alarm").querySelector("h3").textContent + " | " + e.closest("details").open).join(";")`); got != "quay-2/creep: Air gap has reached its maximum | true" {
		t.Errorf("the reason now stands with %q", got)
	}
	pagetest.Do(t, ctx, chromedp.Click(chromedp.CSS(`.alarm:nth-child(2) details button`)))
	pagetest.Eventually(t, ctx, "nothing was shelved", `location.search.includes("done=shelved")`)
	if len(bells.acts) != 1 || bells.acts[0].Key != (alerts.Key{Brake: "quay-2/creep", Condition: analysis.GapMax}) {
		t.Fatalf("done: %+v", bells.acts)
	}

	bells.err = ErrNothingToDo
	pagetest.Do(t, ctx, chromedp.SendKeys(chromedp.CSS(card+`[name="by"]`), "R. Holm"), chromedp.Click(chromedp.CSS(card+"button")))
	const refused = `document.querySelector("[role=alert]")?.textContent.includes("ended or changed meanwhile") === true`
	pagetest.Eventually(t, ctx, "the refusal was never shown", refused)
	data.change(func() { data.active = data.active[1:] })
	pagetest.Do(t, ctx, chromedp.Sleep(1500e6)) // longer than an update takes to come
	if !pagetest.Eval[bool](t, ctx, refused) {
		t.Error("the refusal was taken away before anybody could read it")
	}
	pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
}

// What a shift leader must read from three metres off the screen on the wall,
// the state, the brake and the gap, in arc minutes of the height of a capital
// letter: at least 16, the lower end of what ISO 9241-303 recommends (from
// memory), on a screen 1.22 m wide (55 inches), in the face that CI has.
func TestTheBoardIsReadFromThreeMetres(t *testing.T) {
	ctx := pagetest.Browser(t)
	deps, _ := harbourSite(t)
	web := httptest.NewServer(serverOf(t, deps).Handler())
	t.Cleanup(web.Close)
	t.Cleanup(web.CloseClientConnections)
	wall := pagetest.Screens()[3]
	pagetest.Sit(t, ctx, wall, "dark", true)
	pagetest.Do(t, ctx, chromedp.Navigate(web.URL+"/"), chromedp.WaitVisible(chromedp.CSS(".board")))
	for what, least := range map[string]float64{".badge": 16, ".who h2": 16, ".reading b": 25} {
		px := pagetest.Eval[float64](t, ctx, `(() => {
			const e = document.querySelector("`+what+`"), c = document.createElement("canvas").getContext("2d"), s = getComputedStyle(e);
			c.font = s.fontWeight + " " + s.fontSize + " " + s.fontFamily;
			return c.measureText("H").actualBoundingBoxAscent;
		})()`)
		minutes := px * 1220 / float64(wall.Width) / 3000 * 180 / 3.14159265 * 60
		t.Logf("%s: %.0f px, %.1f arc minutes from three metres", what, px, minutes)
		if minutes < least {
			t.Errorf("%s has %.1f arc minutes from three metres, want %v", what, minutes, least)
		}
	}
	pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
}

package main

import (
	"context"
	"syscall"
	"testing"
	"time"

	"gapward/gateway/page/pagetest"

	"github.com/chromedp/chromedp"
)

// What a technician does with the page, from seeing a brake that wants
// attention to the record of the work: at a desk and on a phone, with script
// and without, on the demonstration as it is released.
func TestFromTheBoardToTheRecord(t *testing.T) {
	t.Parallel()
	ctx := pagetest.Browser(t)
	program := build(t)
	for i, screen := range pagetest.Screens()[:2] {
		for _, script := range []bool{true, false} {
			name, scheme := screen.Name, []string{"light", "dark"}[i]
			if !script {
				name += "-without-script"
			}
			t.Run(name, func(t *testing.T) {
				p := startProcess(t, []string{"TMPDIR=" + t.TempDir()}, program, "demo", "--listen", "127.0.0.1:0")
				url := p.out.find(t, 4*time.Minute, `The page +(http://127\.0\.0\.1:\d+)/\n`)[1]
				pagetest.Sit(t, ctx, screen, scheme, script)
				pagetest.Do(t, ctx, chromedp.Navigate(url+"/"))
				fromBoardToRecord(t, ctx, name, script)
				pagetest.Do(t, ctx, chromedp.Navigate("about:blank"))
				p.signal(t, syscall.SIGINT)
			})
		}
	}
}

func fromBoardToRecord(t *testing.T, ctx context.Context, name string, script bool) {
	t.Helper()
	sees := func(what, in string) {
		t.Helper()
		pagetest.Eventually(t, ctx, "the page doesn't show "+what, `(document.body?.innerText ?? "").replaceAll("\u00a0", " ").match(`+in+`) !== null`)
	}
	step := func(what string) {
		t.Helper()
		pagetest.NoSidewaysScroll(t, ctx, what)
		pagetest.Shoot(t, ctx, "flow-"+name+"-"+what)
	}
	click := func(selector string) {
		t.Helper()
		pagetest.Do(t, ctx, chromedp.Click(chromedp.CSS(selector)))
	}
	write := func(selector, text string) {
		t.Helper()
		pagetest.Do(t, ctx, chromedp.SendKeys(chromedp.CSS(selector), text))
	}

	if script {
		sees("that it is live", `/Live/`)
	} else {
		sees("of when it is", `/As of \d\d:\d\d:\d\d\. Reload for newer figures\./`)
	}
	sees("that adjusting is near", `/Adjust soon|Adjust\s+quay-2\/main/`)
	step("1-board")

	click(`#brake-quay-2\/main h2 a`)
	sees("the brake", `/Gap history[^]*Last cycle[^]*Release and set times[^]*Latest cycles/`)
	pagetest.Eventually(t, ctx, "the plots were never drawn", `document.querySelectorAll("img.plot").length === 3 && [...document.querySelectorAll("img.plot")].every(i => i.complete && i.naturalWidth > 0)`)
	step("2-brake")

	click(`.go a`)
	sees("the brake's alarms", `/Alarms of quay-2\/main/`)
	step("3-alarms")
	const acknowledge = `.alarm form:has(input[value="acknowledge"]) `
	write(acknowledge+`input[name="by"]`, "R. Holm")
	click(acknowledge + `button`)
	sees("that it was acknowledged", `/The alarm was acknowledged\.[^]*acknowledged by R\. Holm/`)
	step("4-acknowledged")

	// Set aside for a shift, and taken back.
	const shelve = `.alarm form:has(input[value="shelve"]) `
	click(`.alarm summary`)
	write(shelve+`input[name="reason"]`, "crane is stopped")
	write(shelve+`input[name="by"]`, "R. Holm")
	click(shelve + `button`)
	sees("that it was shelved", `/The alarm was shelved\.[^]*Held back[^]*Shelved by R\. Holm until[^]*crane is stopped/`)
	const unshelve = `.alarm form:has(input[value="unshelve"]) `
	write(unshelve+`input[name="by"]`, "R. Holm")
	click(unshelve + `button`)
	sees("that it is told anew", `/The alarm was unshelved\.[^]*not acknowledged/`)
	write(acknowledge+`input[name="by"]`, "R. Holm")
	click(acknowledge + `button`)
	sees("that it was acknowledged again", `/The alarm was acknowledged\.[^]*acknowledged by R\. Holm/`)

	click(`.alarm h3 a`)
	sees("on the brake's page who acknowledged", `/acknowledged by R\. Holm[^]*Gap history/`)
	click(`#plan a[href^="/enter"]`)
	sees("the forms", `/Enter work or a reading[^]*An adjustment/`)
	click(`#kind-adjustment summary`)
	write(`#kind-adjustment input[name="steps"]`, "1")
	write(`#kind-adjustment input[name="who"]`, "R. Holm")
	write(`#kind-adjustment input[name="note"]`, "at the end of the late shift")
	step("5-enter")
	click(`#kind-adjustment form button`)
	sees("that it was entered", `/Entered as number \d+: adjusted by one hole[^]*at the end of the late shift/`)
	step("6-entered")

	click(`nav.main a[href="/report"]`)
	sees("the form for a record", `/Inspection record[^]*As/`)
	write(`select[name="brake"]`, "quay-2/main")
	step("7-report")
	click(`main form button`)
	sees("the record with its entry", `/Inspection record[^]*Demonstration: simulated hoists, invented data[^]*quay-2\/main[^]*adjusted by one hole\s+R\. Holm\s+at the end of the late shift[^]*Retest and signatures/`)
	sees("who acknowledged in the record", `/stands[^]*(due|soon)[^]*R\. Holm/`)
	step("8-record")
}

package page

import (
	"context"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/analysis"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// browser starts Chromium, or skips the test where there is none.
func browser(t *testing.T) context.Context {
	t.Helper()
	var program string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			program = found
			break
		}
	}
	if program == "" {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatal("GAPWARD_REAL=1, but there is no chromium on this machine")
		}
		t.Skip("there is no chromium on this machine")
	}
	opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.ExecPath(program))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("starting %s: %v", program, err)
	}
	ctx, cancel := context.WithTimeout(ctx, 90*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// shoot keeps a screenshot of the whole page where they are wanted.
func shoot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("GAPWARD_ARTEFACTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatalf("taking the screenshot %s: %v", name, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "page-"+name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

func eval[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return v
}

// eventually waits for a script to be true.
func eventually(t *testing.T, ctx context.Context, what, script string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](script, chromedp.WithPollingTimeout(15*time.Second))); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}

func noSidewaysScroll(t *testing.T, ctx context.Context, where string) {
	t.Helper()
	if wide, inner := eval[int](t, ctx, "document.documentElement.scrollWidth"), eval[int](t, ctx, "innerWidth"); wide > inner {
		widest := eval[string](t, ctx, `[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth).map(e => e.tagName + "." + e.getAttribute("class")).slice(0, 8).join(" ")`)
		t.Errorf("%s is %d px wide in a window of %d px: %s", where, wide, inner, widest)
	}
}

func TestChromiumShowsTheBrakesLive(t *testing.T) {
	ctx := browser(t)
	for _, screen := range []struct {
		name          string
		width, height int64
		mobile        bool
	}{{"desk", 1280, 800, false}, {"phone", 390, 844, true}, {"small-phone", 360, 640, true}, {"wall", 1920, 1080, false}} {
		for _, scheme := range []string{"light", "dark"} {
			t.Run(screen.name+"-"+scheme, func(t *testing.T) {
				deps, data := harbourSite(t)
				deps.Demo = "Demonstration: simulated hoists, invented data"
				s, err := New(deps)
				if err != nil {
					t.Fatal(err)
				}
				web := httptest.NewServer(s.Handler())
				t.Cleanup(web.Close)
				t.Cleanup(web.CloseClientConnections)
				view := []chromedp.EmulateViewportOption{}
				if screen.mobile {
					view = append(view, chromedp.EmulateMobile, chromedp.EmulatePortrait)
				}
				do(t, ctx, chromedp.EmulateViewport(screen.width, screen.height, view...))
				if err := chromedp.Do(ctx, setScheme(scheme), chromedp.Navigate(web.URL+"/")); err != nil {
					t.Fatal(err)
				}
				eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
				noSidewaysScroll(t, ctx, "the board")
				shoot(t, ctx, "board-"+screen.name+"-"+scheme)

				order := eval[string](t, ctx, `[...document.querySelectorAll(".board h2")].map(h => h.textContent.trim()).join(" ")`)
				const want = "quay-2/creep gantry-1/hoist quay-2/main gantry-1/long-travel-north pit/hoist quay-1/main quay-1/creep"
				if order != want {
					t.Errorf("the order is %q, want %q", order, want)
				}

				do(t, ctx, chromedp.Evaluate[chromedp.Void](`window.same = 1; void 0`))
				data.change(func() {
					v := data.verdicts["quay-1/creep"]
					v.GapMM = 1.37
					data.verdicts["quay-1/creep"] = v
				})
				eventually(t, ctx, "the new gap never came", `document.getElementById("brake-quay-1/creep").querySelector(".reading b").textContent === "1.37"`)
				if !eval[bool](t, ctx, "window.same === 1") {
					t.Error("the page was loaded anew instead of being updated")
				}

				do(t, ctx, chromedp.Click(`#brake-quay-1\/main h2 a`), chromedp.WaitVisible("#cycles-h"))
				eventually(t, ctx, "the plots were never drawn", `document.querySelectorAll("img.plot").length === 3 && [...document.querySelectorAll("img.plot")].every(i => i.complete && i.naturalWidth > 0 && i.getBoundingClientRect().width > 250)`)
				noSidewaysScroll(t, ctx, "the brake's page")
				shoot(t, ctx, "brake-"+screen.name+"-"+scheme)

				do(t, ctx, chromedp.Navigate(web.URL+"/brake/quay-2/main"), chromedp.WaitVisible("#cautions-h"))
				noSidewaysScroll(t, ctx, "the page of a brake to be adjusted")
				shoot(t, ctx, "due-"+screen.name+"-"+scheme)
				// Away from the server, so that no stream stays open.
				do(t, ctx, chromedp.Navigate("about:blank"))
			})
		}
	}
}

func TestChromiumKeepsWhatTheReaderDid(t *testing.T) {
	ctx := browser(t)
	deps, data := harbourSite(t)
	s, err := New(deps)
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(s.Handler())
	defer web.Close()
	do(t, ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(web.URL+"/"))
	eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("#brake-quay-1\\/main h2 a").focus(); document.querySelector("#brake-quay-1\\/main h2 a").dataset.kept = "1"; void 0`))
	// The focused brake goes from the end of the board to near its top.
	data.change(func() {
		v := data.verdicts["quay-1/main"]
		v.State, v.GapMM = analysis.StopUsing, 3.41
		data.verdicts["quay-1/main"] = v
	})
	eventually(t, ctx, "the brake never rose", `document.querySelectorAll(".board > li")[1].id === "brake-quay-1/main"`)
	if got := eval[string](t, ctx, `document.activeElement.textContent.trim()`); got != "quay-1/main" {
		t.Errorf("after the update the focus is on %q, want quay-1/main", got)
	}

	do(t, ctx, chromedp.Navigate(web.URL+"/brake/quay-1/main"))
	eventually(t, ctx, "the page never said that it is live", `document.getElementById("live").textContent === "Live"`)
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("details").open = true; scrollTo(0, 700); void 0`))
	before := eval[int](t, ctx, "Math.round(scrollY)")
	data.change(func() {
		v := data.verdicts["quay-1/main"]
		v.GapMM = 3.52
		data.verdicts["quay-1/main"] = v
	})
	eventually(t, ctx, "the new gap never came", `document.querySelector(".reading b").textContent === "3.52"`)
	if !eval[bool](t, ctx, `document.querySelector("details").open`) {
		t.Error("the update closed the details that the reader had opened")
	}
	if after := eval[int](t, ctx, "Math.round(scrollY)"); before < 300 || after-before > 40 || before-after > 40 {
		t.Errorf("the page stood at %d px before the update and stands at %d px after it", before, after)
	}

	web.CloseClientConnections()
	web.Close()
	eventually(t, ctx, "the page never said that its connection is lost", `document.getElementById("live").textContent.startsWith("Connection lost since")`)
	shoot(t, ctx, "lost")
}

func TestChromiumWithoutScript(t *testing.T) {
	ctx := browser(t)
	deps, _ := harbourSite(t)
	s, err := New(deps)
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(s.Handler())
	defer web.Close()
	if err := chromedp.Do(ctx, setScript(false), chromedp.EmulateViewport(390, 844), chromedp.Navigate(web.URL+"/")); err != nil {
		t.Fatal(err)
	}
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
	shoot(t, ctx, "brake-without-script")
}

func setScheme(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

func setScript(on bool) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
		return err
	})
}

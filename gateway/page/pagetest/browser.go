// Package pagetest looks at the page with a real browser: for tests that drive
// Chromium as a person would, keep pictures of what it shows, and have
// axe-core judge whether everybody can use it.
package pagetest

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// How long a browser may live, and how long a page may take to show
// something: generous, for a machine may have much else to do.
const (
	lifetime = 10 * time.Minute
	patience = time.Minute
)

// Screen is one that the page is read on.
type Screen struct {
	Name          string
	Width, Height int64
	Mobile        bool
}

// Screens are those that the page is made for, from a phone in the hand to a
// screen on the wall.
func Screens() []Screen {
	return []Screen{{"desk", 1280, 800, false}, {"phone", 390, 844, true}, {"small-phone", 360, 640, true}, {"wall", 1920, 1080, false}}
}

// Browser starts Chromium, or skips the test where there is none.
func Browser(t *testing.T) context.Context {
	t.Helper()
	var program string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			program = found
			break
		}
	}
	if program == "" {
		Missing(t, "there is no chromium on this machine")
	}
	opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.ExecPath(program),
		chromedp.WSURLReadTimeout(patience))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("starting %s: %v", program, err)
	}
	ctx, cancel := context.WithTimeout(ctx, lifetime)
	t.Cleanup(cancel)
	return ctx
}

// Missing skips the test for want of something that isn't ours, or fails it
// where all of that is promised.
func Missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("GAPWARD_REAL") == "1" {
		t.Fatalf("GAPWARD_REAL=1, but %s", what)
	}
	t.Skip(what)
}

// Sit has the browser show pages on a screen, in a colour scheme (light or
// dark), with or without script.
func Sit(t *testing.T, ctx context.Context, s Screen, scheme string, script bool) {
	t.Helper()
	view := []chromedp.EmulateViewportOption{}
	if s.Mobile {
		view = append(view, chromedp.EmulateMobile, chromedp.EmulatePortrait)
	}
	Do(t, ctx, chromedp.EmulateViewport(s.Width, s.Height, view...),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
			return err
		}),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !script})
			return err
		}))
}

// Do carries out steps, or fails the test.
func Do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, 2*patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// Eval is the value of a script. It runs beside the page, whose own script may
// be off.
func Eval[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return v
}

// Eventually waits for a script to be true. While a page is being left, none
// can be run; that is waited out too.
func Eventually(t *testing.T, ctx context.Context, what, script string) {
	t.Helper()
	var last error
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(25 * time.Millisecond) {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](script))
		if ok && err == nil {
			return
		}
		if last = err; ctx.Err() != nil {
			break
		}
	}
	where, _ := chromedp.Run(ctx, chromedp.Location())
	text, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`document.getElementById("main")?.innerText ?? ""`))
	t.Fatalf("%s (at %s, %v); the page reads %.1500q", what, where, last, text)
}

// Shoot keeps a picture of the whole page, in the directory that
// GAPWARD_ARTEFACTS names; without it there is none.
func Shoot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("GAPWARD_ARTEFACTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatalf("taking the picture %s: %v", name, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "page-"+name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

// NoSidewaysScroll fails the test where a page is wider than its window. What a
// phone calls the inner width grows with the page: the layout's doesn't.
func NoSidewaysScroll(t *testing.T, ctx context.Context, where string) {
	t.Helper()
	if wide, inner := Eval[int](t, ctx, "document.documentElement.scrollWidth"), Eval[int](t, ctx, "document.documentElement.clientWidth"); wide > inner {
		widest := Eval[string](t, ctx, `[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth && !e.closest(".scroll")).map(e => e.tagName + "." + e.getAttribute("class")).slice(0, 8).join(" ")`)
		t.Errorf("%s is %d px wide in a window of %d px: %s", where, wide, inner, widest)
	}
}

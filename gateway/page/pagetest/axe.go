package pagetest

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// violation is one rule that axe-core finds broken.
type violation struct {
	ID, Impact, Help string
	Where            []string
}

// axeRun has axe-core judge the page by the rules of WCAG 2.2 up to level AA
// and by its own of good practice.
const axeRun = `axe.run(document, {resultTypes: ["violations"]}).then(r => ({
	rules: r.passes.length + r.violations.length,
	violations: r.violations.map(v => ({id: v.id, impact: v.impact || "", help: v.help, where: v.nodes.map(n => n.target.join(" ") + " – " + n.any.concat(n.all, n.none).map(c => c.message).join("; ")).slice(0, 6)}))}))`

// Axe reads axe-core from where npm has put it, by NODE_PATH, or skips the test
// where it isn't.
func Axe(t *testing.T) (source string) {
	t.Helper()
	for _, dir := range filepath.SplitList(os.Getenv("NODE_PATH")) {
		if text, err := os.ReadFile(filepath.Join(dir, "axe-core", "axe.min.js")); err == nil {
			return string(text)
		}
	}
	Missing(t, "npm's axe-core is not installed where NODE_PATH says: npm install axe-core@4.14.1")
	return ""
}

// Usable has axe-core judge the page that is shown. What it calls serious or
// critical fails the test; the rest is told.
func Usable(t *testing.T, ctx context.Context, axe, where string) {
	t.Helper()
	if !Eval[bool](t, ctx, `typeof axe !== "undefined"`) {
		Do(t, ctx, chromedp.Evaluate[chromedp.Void](axe+"; void 0"))
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[struct {
		Rules      int
		Violations []violation
	}](axeRun, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("axe-core on %s: %v", where, err)
	}
	if found.Rules < 15 {
		t.Errorf("axe-core looked at %d rules on %s only", found.Rules, where)
	}
	for _, v := range found.Violations {
		say := t.Logf
		if v.Impact == "serious" || v.Impact == "critical" {
			say = t.Errorf
		}
		say("%s: axe-core finds %s (%s): %s\n  %s", where, v.ID, v.Impact, v.Help, strings.Join(v.Where, "\n  "))
	}
}

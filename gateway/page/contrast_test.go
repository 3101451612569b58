package page

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"

	"gapward/gateway/figures"
)

// luminance is the relative luminance of a colour, WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	if len(hex) == 4 {
		hex = "#" + strings.Repeat(hex[1:2], 2) + strings.Repeat(hex[2:3], 2) + strings.Repeat(hex[3:4], 2)
	}
	var c [3]int
	if _, err := fmt.Sscanf(hex, "#%02x%02x%02x", &c[0], &c[1], &c[2]); err != nil {
		t.Fatalf("%q is no colour: %v", hex, err)
	}
	var l [3]float64
	for i, v := range c {
		if s := float64(v) / 255; s <= 0.04045 {
			l[i] = s / 12.92
		} else {
			l[i] = math.Pow((s+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// declared is one rule of the style sheet: its selector and what it declares.
type declared struct {
	selector string
	of       map[string]string
}

// styleRules are the rules of the style sheet, those within a media query too,
// without the colours' own and those for paper.
func styleRules(css string) (rules []declared) {
	css = regexp.MustCompile(`(?s)/\*.*?\*/`).ReplaceAllString(css, "")
	css, _, _ = strings.Cut(css, "@media print")
	for _, m := range regexp.MustCompile(`([^{};]+)\{([^{}]*)\}`).FindAllStringSubmatch(css, -1) {
		r := declared{strings.Join(strings.Fields(m[1]), " "), map[string]string{}}
		for d := range strings.SplitSeq(m[2], ";") {
			if name, value, ok := strings.Cut(strings.TrimSpace(d), ":"); ok {
				r.of[name] = strings.TrimSpace(value)
			}
		}
		if r.selector != ":root" {
			rules = append(rules, r)
		}
	}
	return rules
}

// decoration are colours that say nothing which isn't said otherwise beside
// them: by a word, a shape or a line of enough contrast.
func decoration(selector, property, colour string) bool {
	switch {
	case selector == ".bar" || selector == ".zone" || selector == ".hatch": // the limits are lines with names
		return true
	case selector == ".halo" || selector == ".around": // the ground around the needle
		return true
	case selector == ".m": // the sign on a shape, which is held against the shape
		return true
	case selector == ".gap.abnormal .fill": // the needle stands at its end, and the badge says it
		return true
	case strings.HasPrefix(property, "border") && (colour == "line" || colour == "yellow" || colour == "red"): // lines between, and edges beside a badge
		return true
	}
	return false
}

// Contrasts are those of WCAG 2.2, level AA: 4.5 for text (1.4.3), 3 for what
// a picture or an edge says (1.4.11). Every colour that a rule of the style sheet
// names is held against the ground of that rule, or against every ground that
// the page has.
func TestContrastOnLightAndDarkScreens(t *testing.T) {
	css, err := staticFiles.ReadFile("static/page.css")
	if err != nil {
		t.Fatal(err)
	}
	roots := regexp.MustCompile(`:root \{([^}]*)\}`).FindAllStringSubmatch(string(css), -1)
	if len(roots) != 3 {
		t.Fatalf("the style sheet has %d sets of colours, want one for light, one for dark and one for paper", len(roots))
	}
	named := regexp.MustCompile(`var\(--([a-z-]+)\)`)
	used, pairs := map[string]bool{}, 0
	colours := map[string]string{}
	for i, scheme := range []string{"light", "dark", "paper"} {
		for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]+)`).FindAllStringSubmatch(roots[i][1], -1) {
			colours[m[1]] = m[2] // the dark ones take the place of the light
		}
		want := func(who, fore, back string, least float64) {
			t.Helper()
			pairs++
			if got := contrast(t, fore, back); got < least {
				t.Errorf("%s, %s: %s on %s has a contrast of %.2f, want %v", scheme, who, fore, back, got, least)
			}
		}
		for _, r := range styleRules(string(css)) {
			grounds := []string{"ground", "card"}
			if m := named.FindStringSubmatch(r.of["background"]); m != nil {
				grounds = m[1:]
				used[m[1]] = true
				if r.of["color"] == "" && m[1] != "fill" { // what stands on it is the page's ink, or softer
					want(r.selector, colours["ink"], colours[m[1]], 4.5)
					want(r.selector, colours["soft"], colours[m[1]], 4.5)
				}
			}
			for property, value := range r.of {
				m := named.FindStringSubmatch(value)
				if m == nil || property == "background" || strings.HasPrefix(property, "--") {
					if strings.Contains(value, "#") && !strings.HasPrefix(property, "--") {
						t.Errorf("%s: %s is %s, which doesn't follow the scheme", r.selector, property, value)
					}
					continue
				}
				if m[1] == "shape" || m[1] == "edge" || m[1] == "sign" || decoration(r.selector, property, m[1]) {
					continue // the shapes are below
				}
				used[m[1]] = true
				least := 3.0
				if property == "color" || strings.HasSuffix(r.selector, "text") {
					least = 4.5
				}
				if colours[m[1]] == "" {
					t.Errorf("%s: there is no colour %s", r.selector, m[1])
					continue
				}
				for _, back := range grounds {
					if m[1] != back {
						want(r.selector+" "+property, colours[m[1]], colours[back], least)
					}
				}
			}
		}
		// The shapes of the states: the sign on the shape, and the shape or its
		// edge on the card.
		want("danger", "#ffffff", colours["red"], 3)
		want("danger", colours["red"], colours["card"], 3)
		want("abnormal", "#191b1d", colours["yellow"], 3)
		if scheme != "dark" {
			want("abnormal's edge", "#191b1d", colours["card"], 3)
		} else {
			want("abnormal", colours["yellow"], colours["card"], 3)
		}
		want("gap", colours["fill"], colours["zone"], 3)
		want("a pressed button", colours["ink"], colours["bar"], 4.5)
		for _, one := range figures.Inks() {
			on := one.Light
			if scheme == "dark" {
				on = one.Dark
			}
			want("plot", on, colours["card"], 4.5)
		}
	}
	t.Logf("%d pairs of colours", pairs)
	if pairs < 150 {
		t.Errorf("only %d pairs of colours were found", pairs)
	}
	for _, name := range []string{"ink", "soft", "ground", "card", "link", "red", "yellow", "on-red", "on-yellow", "fill"} {
		if !used[name] {
			t.Errorf("no rule was found to use %s", name)
		}
	}
}

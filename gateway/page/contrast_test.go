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

// Contrasts are those of WCAG 2.2, level AA: 4.5 for text (1.4.3), 3 for what
// a picture says (1.4.11).
func TestContrastOnLightAndDarkScreens(t *testing.T) {
	css, err := staticFiles.ReadFile("static/page.css")
	if err != nil {
		t.Fatal(err)
	}
	roots := regexp.MustCompile(`:root \{([^}]*)\}`).FindAllStringSubmatch(string(css), -1)
	if len(roots) != 2 {
		t.Fatalf("the style sheet has %d sets of colours, want one for light and one for dark", len(roots))
	}
	colours := map[string]string{}
	for i, scheme := range []string{"light", "dark"} {
		for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]+)`).FindAllStringSubmatch(roots[i][1], -1) {
			colours[m[1]] = m[2] // the dark ones take the place of the light
		}
		want := func(fore, back string, least float64) {
			t.Helper()
			if got := contrast(t, fore, back); got < least {
				t.Errorf("%s: %s on %s has a contrast of %.2f, want %v", scheme, fore, back, got, least)
			}
		}
		for _, back := range []string{"ground", "card"} {
			want(colours["ink"], colours[back], 4.5)
			want(colours["soft"], colours[back], 4.5)
			want(colours["link"], colours[back], 4.5)
		}
		want(colours["ground"], colours["ink"], 4.5) // the banner
		want(colours["on-red"], colours["red"], 4.5)
		want(colours["on-yellow"], colours["yellow"], 4.5)
		want(colours["fill"], colours["zone"], 3)
		for _, one := range figures.Inks() {
			on := one.Light
			if scheme == "dark" {
				on = one.Dark
			}
			want(on, colours["card"], 4.5)
		}
	}
}

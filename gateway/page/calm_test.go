package page

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// Greys carry the page, and colour is for what is abnormal: no rule of the style
// sheet colours anything else, so that a board on which all is well has none.
func TestColourIsForWhatIsAbnormal(t *testing.T) {
	css, err := staticFiles.ReadFile("static/page.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6}|[0-9a-f]{3})\b`).FindAllStringSubmatch(string(css), -1) {
		if m[1] == "red" || m[1] == "yellow" {
			continue
		}
		hex := m[2]
		if len(hex) == 6 {
			hex = hex[:1] + hex[2:3] + hex[4:5]
		}
		if least, most := slices.Min([]byte(hex)), slices.Max([]byte(hex)); int(most)-int(least) > 1 && !(least == '9' && most == 'a') {
			t.Errorf("%s is #%s, which is no grey", m[1], m[2])
		}
	}
	coloured := 0
	for _, r := range styleRules(string(css)) {
		for property, value := range r.of {
			if !strings.Contains(value, "var(--red)") && !strings.Contains(value, "var(--yellow)") {
				continue
			}
			coloured++
			for one := range strings.SplitSeq(r.selector, ",") {
				if !regexp.MustCompile(`\.(danger|abnormal|wrong|lost|gateway)\b`).MatchString(one) {
					t.Errorf("%s has %s: %s, and may be of something that is well", one, property, value)
				}
			}
		}
	}
	if coloured < 10 {
		t.Errorf("only %d rules with a colour were found", coloured)
	}
}

// A state is told by a word and by a shape, beside its colour: a board in greys
// says as much.
func TestEachStateHasAWordAndAShape(t *testing.T) {
	deps, _ := harbourSite(t)
	body := get(serverOf(t, deps), "/").Body.String()
	badges := regexp.MustCompile(`<span class="badge ([a-z]+)"><svg class="shape [a-z]+" aria-hidden="true"><use href="#([a-z]+)"/></svg>([^<]+)</span>`).FindAllStringSubmatch(body, -1)
	if len(badges) != len(deps.Brakes) {
		t.Fatalf("%d of %d brakes have a badge of shape and word", len(badges), len(deps.Brakes))
	}
	said, seen := map[string]string{}, map[string]bool{}
	for _, m := range badges {
		if m[1] != m[2] || !strings.Contains(body, `<symbol id="`+m[2]+`"`) {
			t.Errorf("%s is shown as %s with the shape of %s", m[3], m[1], m[2])
		}
		if other, ok := said[m[3]]; ok && other != m[1] {
			t.Errorf("%q is said of %s and of %s", m[3], other, m[1])
		}
		said[m[3]], seen[m[1]] = m[1], true
	}
	if len(seen) < 4 {
		t.Errorf("only %d kinds of state were shown: %v", len(seen), seen)
	}
}

// The board shows what its form asks for.
func TestTheBoardIsFiltered(t *testing.T) {
	deps, _ := harbourSite(t)
	for i := range deps.Brakes {
		deps.Brakes[i].Crane, _, _ = strings.Cut(deps.Brakes[i].Name, "/")
	}
	s := serverOf(t, deps)
	for path, want := range map[string]string{
		"/?crane=quay-1":            "quay-1/main quay-1/creep",
		"/?chain=quay-2+hoist":      "quay-2/creep quay-2/main",
		"/?state=danger":            "quay-2/creep",
		"/?state=unknown":           "pit/hoist",
		"/?due=30":                  "quay-2/creep gantry-1/hoist quay-2/main quay-1/main",
		"/?crane=quay-2&due=1":      "quay-2/creep quay-2/main",
		"/?crane=gantry-1&by=chain": "gantry-1/hoist gantry-1/long-travel-north",
		"/?crane=pit&state=normal":  "",
	} {
		var got []string
		for _, m := range regexp.MustCompile(`<li id="brake-([^"]+)"`).FindAllStringSubmatch(get(s, path).Body.String(), -1) {
			got = append(got, m[1])
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s shows %q, want %q", path, got, want)
		}
	}
}

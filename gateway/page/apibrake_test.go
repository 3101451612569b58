package page

import (
	"encoding/json"
	"net/url"
	"strings"
	"testing"
)

// What a page shows of a brake, a machine reads too.
func TestMachinesReadWhatThePagesShow(t *testing.T) {
	deps := everySite(t)
	deps.Accounts = nil
	s := serverOf(t, deps)
	text := func(path string) string {
		w := getHere(s, path)
		if w.Code != 200 || !json.Valid(w.Body.Bytes()) {
			t.Fatalf("%s: status %d, %.200s", path, w.Code, w.Body)
		}
		return strings.ReplaceAll(strings.ReplaceAll(w.Body.String(), "\u00a0", " "), `\u00b1`, "±")
	}
	g, err := s.gather(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	plain := strings.NewReplacer("\u00a0", " ", "\u202f", " ")
	for _, b := range deps.Brakes {
		sp, err := parseSpan("")
		if err != nil {
			t.Fatal(err)
		}
		v, err := s.viewBrake(t.Context(), g, b.Name, sp)
		if err != nil {
			t.Fatal(err)
		}
		body := text(pathOf("/api/brake/", b.Name))
		says := func(what, words string) {
			t.Helper()
			if words = plain.Replace(words); words != "" && !strings.Contains(body, words) {
				t.Errorf("%s: the page says of %s %q, and the interface doesn't: %s", b.Name, what, words, body)
			}
		}
		says("its state", v.Row.Word)
		says("its margin", v.Row.Margin)
		says("what lies ahead", v.Row.Outlook)
		for _, a := range v.Row.Alarms {
			says("an alarm", strings.TrimSuffix(a.Title, " ("+b.Name+")"))
			says("an alarm", a.First)
		}
		for _, o := range v.ChainMore {
			says("the holding chain", o.Name)
			says("the holding chain", o.Word)
		}
		for _, h := range v.Health {
			says("its signals", h.Category)
			says("its signals", h.Why)
		}
		if len(v.Duty) > 0 {
			says("its duty", `"duty":{`)
		}
		if v.Plan != nil {
			for _, words := range []string{v.Plan.Latest, v.Plan.Retest, v.Plan.Offer, v.Plan.Relining} {
				if words = strings.TrimSuffix(words, "."); len(words) > 1 {
					says("work", words[1:]) // but for the capital
				}
			}
		}
		for _, words := range v.Cautions {
			says("cautions", words)
		}
	}
	// Alarms that are held back say why, until when, and whether they stand.
	held := text("/api/alarms")
	for _, want := range []string{`"life_cycle":"shelved"`, `"reason":"new springs on order"`, `"condition_stands":true`, `"category":"failure"`, `"category":"out of specification"`, `"u":0.02`, `"until":"2026-11-18T18:00:00`} {
		if !strings.Contains(held, want) {
			t.Errorf("the interface doesn't say %s of alarms: %s", want, held)
		}
	}
	gaps := text("/api/gaps/quay-2/main?" + url.Values{"span": {"90d"}}.Encode())
	for _, want := range []string{`"filtered":[`, `"works":[{"time":"`, `"what":"adjusted"`, `"readings":[{"time":"2026-11-15T12:00:00Z","gap_mm":2.79,"gap_u_mm":0.03}]`} {
		if !strings.Contains(gaps, want) {
			t.Errorf("the interface doesn't say %s of the gap: %.400s", want, gaps)
		}
	}
}

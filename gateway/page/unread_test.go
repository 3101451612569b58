package page

import (
	"net/http"
	"strings"
	"testing"
)

// Who sends an entry by program is told what is wrong with it, and nothing of how
// it is read.
func TestUnreadableEntriesAreToldInWords(t *testing.T) {
	s, _ := ledgerSite(t)
	for body, want := range map[string]string{
		``:                                 `it is empty; send an object`,
		`{"brake":`:                        `it breaks off`,
		`{"brake" 1}`:                      `it is no JSON from byte 10 on`,
		`"x"`:                              `it is of type string; send an object`,
		`{"steps":1.5}`:                    `steps is 1.5, which is no whole number in its range`,
		`{"brake":7}`:                      `brake is of type number, which it can't be`,
		`{"colour":"red"}`:                 `unknown field \"colour\"`,
		`{"readings":{"gaps_mm":[1,"a"]}}`: `readings.gaps_mm is of type string, which it can't be`,
		`{"note":"` + strings.Repeat("x", 1<<20) + `"}`: `it is too large: it may have`,
	} {
		w := post(s, body, nil)
		if got := w.Body.String(); w.Code != http.StatusBadRequest || !strings.Contains(got, "the entry can't be read: "+want) || strings.Contains(got, "Go ") {
			t.Errorf("%.40s: %d %s, want %q", body, w.Code, got, want)
		}
	}
}

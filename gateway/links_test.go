package gateway

import (
	"os"
	"testing"

	"gapward/alerts"
	"gapward/gateway/page"
)

// A link in a notice leads somewhere from the machine of who reads it.
func TestLinksLeadToThePage(t *testing.T) {
	name, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	tls := &page.TLSSettings{}
	for _, c := range []struct {
		settings page.Settings
		addr     string
		want     string
	}{
		{page.Settings{}, "127.0.0.1:8480", "http://127.0.0.1:8480"},
		{page.Settings{TLS: tls}, "192.0.2.7:8480", "https://192.0.2.7:8480"},
		{page.Settings{TLS: tls}, "[::]:8480", "https://" + name + ":8480"},
		{page.Settings{TLS: tls}, "0.0.0.0:443", "https://" + name + ":443"},
		{page.Settings{TLS: tls, Hosts: []string{"gapward.quay.example", "other.example"}}, "[::]:8480", "https://gapward.quay.example:8480"},
	} {
		if got := pageURL(c.settings, c.addr); got != c.want {
			t.Errorf("at %s it is %s, want %s", c.addr, got, c.want)
		}
	}
	for e, want := range map[alerts.Event]string{{Brake: "quay-2/main"}: "/brake/quay-2/main", {Brake: "hall 3/a?b"}: "/brake/hall%203/a%3Fb", {Device: "quay-io"}: "/alarms", {}: "/alarms"} {
		if got := pageLink("https://x", e); got != "https://x"+want {
			t.Errorf("it leads to %s, want %s", got, want)
		}
	}
}

package gateway_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"gapward/alerts/notify"
	"gapward/simulator"
)

// A brake that doesn't release is told to a webhook while it happens, once,
// with what to do and the cautions.
func TestAlarmReachesAWebhook(t *testing.T) {
	got := make(chan map[string]any, 16)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		var m map[string]any
		if err == nil {
			err = json.Unmarshal(body, &m)
		}
		if err != nil {
			t.Errorf("body %q: %v", body, err)
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		got <- m
	}))
	defer hook.Close()
	s := newStage(t, t.TempDir())
	s.site.Notify = []notify.Settings{{Webhook: &notify.WebhookSettings{URL: hook.URL}}}
	d := startDaemon(t, s, "")
	// It has to be seen setting and releasing before a failure means anything.
	eventually(t, "cycles of both brakes", func() bool { return len(storedLines(t, s.site.Data)["cycle"]) >= 4 })
	if err := s.plant.Apply(simulator.Event{Brake: "quay-2/main", Fault: simulator.NotFreeing, Lasts: 30 * time.Second}); err != nil {
		t.Fatal(err)
	}
	for deadline := time.After(90 * time.Second); ; {
		select {
		case m := <-got:
			if m["condition"] != "not-released" || m["state"] != "raised" {
				continue
			}
			if m["brake"] != "quay-2/main" || m["unit"] != "s" || m["limit"] != 0.5 {
				t.Errorf("told as %v", m)
			}
			if link, _ := m["link"].(string); !strings.HasSuffix(link, d.addr+"/brake/quay-2/main") {
				t.Errorf("link %q", link)
			}
			if step, _ := m["first_step"].(string); step == "" || m["cautions"] == nil {
				t.Errorf("without first step or cautions: %v", m)
			}
		case <-deadline:
			t.Fatal("no notice of the brake that doesn't release")
		}
		break
	}
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
}

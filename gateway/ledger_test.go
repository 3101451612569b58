package gateway_test

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/gateway/page"
	"gapward/gateway/report"
	"gapward/gateway/store"
	"gapward/sensors"
)

// quiet runs a daemon whose devices say nothing.
func quiet(t *testing.T, dir string) (addr string, site *configs.Site, stop func() error) {
	t.Helper()
	site, problems := configs.Parse("test.yaml", []byte(strings.Replace(testSite, "%s", filepath.Join(dir, "data"), 1)), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	started, ended := make(chan string, 1), make(chan error, 1)
	none := func(sensors.Watcher) ([]sensors.Source, error) { return nil, nil }
	go func() {
		ended <- gateway.Run(ctx, site, gateway.Options{Log: logTo(t), Sources: none, Started: func(a string) { started <- a }})
	}()
	select {
	case addr = <-started:
	case err := <-ended:
		t.Fatalf("the daemon ended at once: %v", err)
	case <-time.After(20 * time.Second):
		t.Fatal("the daemon did not start")
	}
	return addr, site, func() error { cancel(); return <-ended }
}

// Entries of several people at a time, good and bad ones, while the daemon
// runs: the good ones are durable when their answer comes, and numbered without
// a hole.
func TestEntriesWhileTheDaemonRuns(t *testing.T) {
	addr, site, stop := quiet(t, t.TempDir())
	const each, people = 5, 4
	var all sync.WaitGroup
	for range people {
		all.Go(func() {
			for range each {
				got, err := page.SendEntry(t.Context(), page.LocalGateway{Listen: addr}, report.EntryBody{Site: "Test Quay", Brake: "quay-2/main", Kind: "adjustment", Steps: 1, Who: "K. Berg"})
				if err != nil || got.ID == 0 {
					t.Errorf("%+v, %v", got, err)
				}
				var refused *page.RefusedError
				if _, err := page.SendEntry(t.Context(), page.LocalGateway{Listen: addr}, report.EntryBody{Brake: "quay-2/main", Kind: "correction", Who: "K. Berg", Corrects: 999}); !errors.As(err, &refused) || !strings.Contains(err.Error(), "there is no entry 999") {
					t.Errorf("a correction of nothing: %v", err)
				}
			}
		})
	}
	all.Wait()
	db, err := store.OpenReadOnly(t.Context(), site.Data)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := db.Ledger(t.Context(), "quay-2/main")
	if err != nil || len(rows) != each*people {
		t.Errorf("%d entries are stored, %v", len(rows), err)
	}
	for i, r := range rows {
		if r.ID != int64(i+1) {
			t.Errorf("entry %d has id %d", i, r.ID)
		}
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	if _, err := page.SendEntry(t.Context(), page.LocalGateway{Listen: addr}, report.EntryBody{Brake: "quay-2/main", Kind: "adjustment", Steps: 1, Who: "K. Berg"}); err == nil {
		t.Error("a stopped daemon takes entries")
	}
}

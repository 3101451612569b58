package gateway

import (
	"log/slog"
	"strings"
	"testing"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
)

const chainSite = `
site: Test Quay
data: data
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals: {travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10]}, drive: {device: io, discrete: 0}}
    adjuster: {ring: {holes: 6, pitch_mm: 3.0, uses: 3}}
  - name: quay-2/creep
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    signals: {travel: {device: io, input: 1, raw: [0, 4095], mm: [0, 10]}, drive: {device: io, discrete: 1}}
    adjuster: {shims: {packs: 2, thickness_mm: 0.1, fitted: 10}}
  - name: pit/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    signals: {travel: {device: io, input: 2, raw: [0, 4095], mm: [0, 10]}, drive: {device: io, discrete: 2}}
holding_chains:
  - {name: quay-2 hoist, order: [quay-2/creep, quay-2/main]}
`

// A plan rests on the stored verdicts and on what the ledger says of the
// lining, and comes in the order of the chain, whichever of its brakes is asked
// for.
func TestPlansFromTheStore(t *testing.T) {
	site, problems := configs.Parse("test.yaml", []byte(chainSite), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	db, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	lining, adjusted := analysis.NewEntry(analysis.LiningFitted, 1e18, "K. Berg"), analysis.NewEntry(analysis.Adjustment, 2e18, "K. Berg")
	adjusted.Steps = 2
	b := store.Batch{
		Verdicts: []store.VerdictRow{
			{Brake: "quay-2/main", Verdict: analysis.Verdict{AtNS: 3e18, GapMM: 2.82, GapUMM: 0.01}},
			{Brake: "quay-2/creep", Verdict: analysis.Verdict{AtNS: 3e18, GapMM: 1.82, GapUMM: 0.01}},
		},
		Ledger: []store.LedgerRow{{Brake: "quay-2/main", Entry: lining}, {Brake: "quay-2/main", Entry: adjusted}},
	}
	if err := db.Commit(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	plan := planner(site, db)
	for _, brake := range []string{"quay-2/main", "quay-2/creep"} {
		c, err := plan(t.Context(), brake)
		if err != nil || len(c.Plans) != 2 || c.Plans[0].Brake != "quay-2/creep" || c.Plans[0].Steps != 4 || c.Plans[1].Steps != 1 || c.Plans[1].After.StepsLeft != 0 || c.Order == "" {
			t.Errorf("%s: %+v, %v", brake, c, err)
		}
	}
	c, err := plan(t.Context(), "pit/hoist")
	if err != nil || len(c.Plans) != 1 || c.Plans[0].Action != analysis.Unplanned || !strings.Contains(c.Plans[0].Reason, "no gap") {
		t.Errorf("%+v, %v", c, err)
	}
}

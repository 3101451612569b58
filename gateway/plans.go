package gateway

import (
	"context"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
)

// planner makes adjust plans from what is stored: the latest verdicts and the
// ledger.
func planner(site *configs.Site, db *store.DB) func(context.Context, string) (analysis.ChainPlan, error) {
	return func(ctx context.Context, brake string) (analysis.ChainPlan, error) {
		rows, err := db.Verdicts(ctx)
		if err != nil {
			return analysis.ChainPlan{}, err
		}
		var members []analysis.ChainMember
		for _, name := range chainAround(site, brake) {
			m := analysis.ChainMember{Verdict: analysis.Verdict{GapMM: analysis.NoValue(), GapUMM: analysis.NoValue()}}
			for _, b := range site.Brakes {
				if b.Name == name {
					m.Settings = b.AnalysisSettings()
				}
			}
			for _, r := range rows {
				if r.Brake == name {
					m.Verdict = r.Verdict
				}
			}
			entries, err := db.Ledger(ctx, name)
			if err != nil {
				return analysis.ChainPlan{}, err
			}
			m.Use = analysis.UseOf(store.Entries(entries))
			members = append(members, m)
		}
		return analysis.PlanChain(members), nil
	}
}

// chainAround is the holding chain that a brake is in, in its order, or the
// brake alone.
func chainAround(site *configs.Site, brake string) []string {
	for _, c := range site.Chains {
		for _, name := range c.Order {
			if name == brake {
				return c.Order
			}
		}
	}
	return []string{brake}
}

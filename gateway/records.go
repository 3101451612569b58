package gateway

import (
	"context"

	"gapward/configs"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

// Recorder makes the inspection records of a site from its store, for the page
// and for the command alike. sources are the devices as they are now; nil where
// no daemon runs here.
func Recorder(site *configs.Site, db *store.DB, banner, version string, sources func() []report.SourceRecord) func(context.Context, report.Query) (*report.Record, error) {
	d := report.Deps{Site: site.Name, SiteFile: site.Hash(), Demo: banner, Version: version, Data: db, Plan: planner(site, db), Sources: sources}
	chain := map[string]string{}
	for _, c := range site.Chains {
		for _, name := range c.Order {
			chain[name] = c.Name
		}
	}
	return func(ctx context.Context, q report.Query) (*report.Record, error) {
		d := d
		for _, b := range site.Brakes {
			one := report.Brake{Settings: b.AnalysisSettings(), Crane: b.Crane, Chain: chain[b.Name]}
			for _, s := range wired(b) {
				one.Signals = append(one.Signals, s.String())
			}
			d.Brakes = append(d.Brakes, one)
		}
		return report.Make(ctx, d, q)
	}
}

// recordedSources are the devices as a record has them.
func recordedSources(w *watch) []report.SourceRecord {
	var list []report.SourceRecord
	for _, h := range pageHealth(w.health()) {
		one := report.SourceRecord{Device: h.Device, OK: h.OK, Error: h.Error}
		if !h.Since.IsZero() {
			one.Since = h.Since.UTC().Format("2006-01-02T15:04:05Z")
		}
		list = append(list, one)
	}
	return list
}

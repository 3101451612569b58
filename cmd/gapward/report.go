package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

type reportCommand struct {
	Config string `required:"" placeholder:"SITE.yaml" help:"Site file."`
	Brake  string `placeholder:"NAME" help:"This brake alone; otherwise all."`
	From   string `placeholder:"TIME" help:"Beginning of the span, as 2026-05-04 or 2026-05-04T10:00:00Z; 90 days before its end if left out."`
	To     string `placeholder:"TIME" help:"End of the span, likewise; a day counts to its end. Now if left out."`
	Format string `enum:"html,csv,json" default:"html" help:"html, csv or json."`
	Ledger bool   `help:"The ledger alone, as csv or json."`
	Out    string `placeholder:"FILE" help:"Write into this file, which must not be there yet; otherwise to standard output."`
}

// Help says what the record holds, and shows an example.
func (reportCommand) Help() string {
	return `Writes the inspection record: condition, readings, plots, adjustments, alarms, forecasts, duty, and how gateway and signals fared, with cautions, a checklist and places to sign. The HTML prints on A4. It may be written while the daemon runs, and has the figures of its page.

Example:
  gapward report --config configs/kestrel-quay.yaml --brake quay-2/main --from 2026-01-01 --out quay-2.html`
}

// reportSpan is how far a record goes back where nothing is said.
const reportSpan = 90 * 24 * time.Hour

// Run writes the record.
func (c *reportCommand) Run(ctx context.Context, io streams) error {
	if c.Ledger && c.Format == "html" {
		return usage(errors.New("the ledger alone is written with --format csv or --format json"))
	}
	site, err := loadSite(c.Config, configs.Run, io.err)
	if err != nil {
		return err
	}
	if c.Brake != "" {
		if _, err := brakeOf(site, c.Config, c.Brake); err != nil {
			return err
		}
	}
	q, err := c.query(time.Now())
	if err != nil {
		return usage(err)
	}
	if !store.Exists(site.Data) {
		return usage(fmt.Errorf("there is no database in %s; start this where the daemon runs, or start the daemon once", site.Data))
	}
	db, err := store.OpenReadOnly(ctx, site.Data)
	if err != nil {
		return err
	}
	err = c.write(ctx, io.out, site, db, q)
	return errors.Join(err, db.Close())
}

func (c *reportCommand) write(ctx context.Context, out io.Writer, site *configs.Site, db *store.DB, q report.Query) (err error) {
	write, err := c.writer(ctx, site, db, q)
	if err != nil {
		return err
	}
	if c.Out == "" {
		return write(out)
	}
	f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return usage(fmt.Errorf("%s is there already, and a record is not overwritten; give another --out", c.Out))
	}
	if err != nil {
		return fmt.Errorf("writing the record: %w", err)
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("writing the record into %s: %w", c.Out, err), os.Remove(c.Out))
	}
	fmt.Fprintf(out, "Written: %s\n", c.Out)
	return nil
}

// writer makes what is to be written, and says how.
func (c *reportCommand) writer(ctx context.Context, site *configs.Site, db *store.DB, q report.Query) (func(io.Writer) error, error) {
	if c.Ledger {
		rows, err := db.Ledger(ctx, c.Brake)
		if err != nil {
			return nil, err
		}
		if c.Format == "csv" {
			return func(w io.Writer) error { return report.WriteLedgerCSV(w, rows) }, nil
		}
		return func(w io.Writer) error { return report.WriteLedgerJSON(w, rows) }, nil
	}
	r, err := gateway.Recorder(site, db, "", release, nil)(ctx, q)
	if err != nil {
		return nil, err
	}
	switch c.Format {
	case "csv":
		return r.WriteCSV, nil
	case "json":
		return r.WriteJSON, nil
	}
	return r.WriteHTML, nil
}

// query reads the span.
func (c *reportCommand) query(now time.Time) (report.Query, error) {
	q := report.Query{Brake: c.Brake, Now: now}
	var err error
	if q.To, err = report.ParseEnd(c.To, now); err != nil {
		return q, fmt.Errorf("--to %w", err)
	}
	if q.From, err = report.ParseBeginning(c.From, q.To.Add(-reportSpan), now.Location()); err != nil {
		return q, fmt.Errorf("--from %w", err)
	}
	if !q.From.Before(q.To) {
		return q, errors.New("--from is not before --to")
	}
	return q, nil
}

// brakeOf is the position of a brake that somebody named, or what the site has
// instead.
func brakeOf(site *configs.Site, file, name string) (int, error) {
	if i := site.BrakeIndex(name); i >= 0 {
		return i, nil
	}
	var names []string
	for _, b := range site.Brakes {
		names = append(names, b.Name)
	}
	return 0, usage(fmt.Errorf("%s has no brake called %q; its brakes are %s", file, name, strings.Join(names, ", ")))
}

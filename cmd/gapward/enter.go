package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway"
	"gapward/gateway/page"
	"gapward/gateway/report"
	"gapward/gateway/store"
)

type enterCommand struct {
	Reading      enterReading      `cmd:"" help:"A gap measured by hand."`
	Adjustment   enterAdjustment   `cmd:"" help:"Steps taken at the adjuster."`
	Lining       enterLining       `cmd:"" help:"A new lining."`
	OutOfService enterOutOfService `cmd:"" name:"out-of-service" help:"The brake is not in use from now on."`
	Return       enterReturn       `cmd:"" help:"The brake is in use again."`
	Retest       enterRetest       `cmd:"" help:"How the brake was tried after work."`
	Correction   enterCorrection   `cmd:"" help:"An earlier entry should not be there."`
}

// Help says how entries are kept, and shows an example.
func (enterCommand) Help() string {
	return `Writes what was done at a brake, or read there, into the ledger. While the daemon runs, it is the daemon that writes; otherwise this command does. An entry is never changed: --corrects N enters another in its place.

Example:
  gapward enter adjustment --config configs/kestrel-quay.yaml --brake quay-2/main --steps 1 --who "K. Berg"`
}

// entryFlags are what every entry has.
type entryFlags struct {
	Config   string `required:"" placeholder:"SITE.yaml" help:"Site file."`
	Brake    string `required:"" placeholder:"NAME" help:"Brake, as the site file calls it."`
	Who      string `required:"" placeholder:"NAME" help:"Who did the work."`
	Note     string `placeholder:"TEXT" help:"Anything worth knowing of it."`
	At       string `placeholder:"TIME" help:"When it was done, as 2026-05-04T10:00:00Z, or \"2026-05-04 10:00\" by this machine's clock; now if left out."`
	Corrects int64  `placeholder:"N" help:"Number of the entry that this one takes the place of."`
	Sure     bool   `help:"It is meant, though it looks wrong."`
}

type enterReading struct {
	entryFlags
	Gap        []float64 `sep:"none" placeholder:"MM" help:"Gap read directly. Give it once for each repeat."`
	Still      []float64 `sep:"none" placeholder:"MM" help:"Depth with the motor still. Give it once for each repeat."`
	Running    []float64 `sep:"none" placeholder:"MM" help:"Depth with the motor running. Give it once for each repeat."`
	Resolution float64   `placeholder:"MM" help:"Step of the gauge's scale; 0.05 if left out."`
	GaugeU     float64   `placeholder:"MM" help:"Standard uncertainty of the gauge, from its certificate."`
}

type enterAdjustment struct {
	entryFlags
	Steps int `required:"" placeholder:"N" help:"Index holes, shims out of each pack, or smallest turns of the screw. Turned back: --steps=-N."`
}

type enterLining struct {
	entryFlags
	Thickness float64 `placeholder:"MM" help:"Its thickness; the site file's if left out."`
	Gap       float64 `placeholder:"MM" help:"Gap that it was fitted with; the target if left out."`
}

type enterOutOfService struct{ entryFlags }

type enterReturn struct{ entryFlags }

type enterRetest struct {
	entryFlags
	NoLoad   string `required:"" enum:"passed,failed" help:"How the trial without load went: passed or failed."`
	WithLoad string `enum:"passed,failed,not-tried" default:"not-tried" help:"How the trial with load went: passed, failed or not-tried."`
}

type enterCorrection struct{ entryFlags }

// Help shows an example.
func (enterReading) Help() string {
	return `Depths are read with the motor still and with it running; their difference is the gap. Repeats make it surer.

Example:
  gapward enter reading --config configs/kestrel-quay.yaml --brake quay-2/main --still 41.2 --still 41.3 --running 42.9 --running 42.9 --who "K. Berg"`
}

// Help shows an example.
func (enterAdjustment) Help() string {
	return `Example:
  gapward enter adjustment --config configs/kestrel-quay.yaml --brake quay-2/main --steps 1 --who "K. Berg" --note "at the yearly inspection"`
}

// Help shows an example.
func (enterLining) Help() string {
	return `The adjuster is taken to be back where a new lining wants it.

Example:
  gapward enter lining --config configs/kestrel-quay.yaml --brake quay-2/main --thickness 6.0 --who "K. Berg"`
}

// Help shows an example.
func (enterOutOfService) Help() string {
	return `Example:
  gapward enter out-of-service --config configs/kestrel-quay.yaml --brake quay-2/main --who "K. Berg" --note "motor away for rewinding"`
}

// Help shows an example.
func (enterReturn) Help() string {
	return `Example:
  gapward enter return --config configs/kestrel-quay.yaml --brake quay-2/main --who "K. Berg"`
}

// Help says what is to be tried, and shows an example.
func (enterRetest) Help() string {
	text := "After work on a brake, before the hoist returns to service.\n\n"
	for i, s := range analysis.RetestSteps() {
		text += fmt.Sprintf("%d. %s\n", i+1, s.Do)
	}
	return text + `
Example:
  gapward enter retest --config configs/kestrel-quay.yaml --brake quay-2/main --no-load passed --with-load passed --who "K. Berg"`
}

// Help shows an example.
func (enterCorrection) Help() string {
	return `Leaves nothing in the place of entry N. To put another in its place, enter that with --corrects N.

Example:
  gapward enter correction --config configs/kestrel-quay.yaml --brake quay-2/main --corrects 12 --who "K. Berg" --note "it was the other hoist"`
}

// Run enters a reading.
func (c *enterReading) Run(ctx context.Context, io streams) error {
	return c.enter(ctx, io, report.EntryBody{Kind: string(analysis.Reading), Readings: &report.ReadingsBody{
		GapsMM: c.Gap, StillMM: c.Still, RunningMM: c.Running, ResolutionMM: c.Resolution, InstrumentUMM: c.GaugeU}})
}

// Run enters an adjustment.
func (c *enterAdjustment) Run(ctx context.Context, io streams) error {
	return c.enter(ctx, io, report.EntryBody{Kind: string(analysis.Adjustment), Steps: c.Steps})
}

// Run enters a new lining.
func (c *enterLining) Run(ctx context.Context, io streams) error {
	body := report.EntryBody{Kind: string(analysis.LiningFitted)}
	if c.Thickness != 0 {
		body.ThicknessMM = &c.Thickness
	}
	if c.Gap != 0 {
		body.GapMM = &c.Gap
	}
	return c.enter(ctx, io, body)
}

// Run takes the brake out of service.
func (c *enterOutOfService) Run(ctx context.Context, io streams) error {
	return c.enter(ctx, io, report.EntryBody{Kind: string(analysis.OutOfService)})
}

// Run returns the brake to service.
func (c *enterReturn) Run(ctx context.Context, io streams) error {
	return c.enter(ctx, io, report.EntryBody{Kind: string(analysis.ReturnedToUse)})
}

// Run signs for a retest.
func (c *enterRetest) Run(ctx context.Context, io streams) error {
	body := report.EntryBody{Kind: string(analysis.Retest), NoLoad: analysis.Trial(c.NoLoad)}
	if c.WithLoad != "not-tried" {
		body.WithLoad = analysis.Trial(c.WithLoad)
	}
	return c.enter(ctx, io, body)
}

// Run withdraws an entry.
func (c *enterCorrection) Run(ctx context.Context, io streams) error {
	return c.enter(ctx, io, report.EntryBody{Kind: string(analysis.CorrectionOnly)})
}

// enter checks an entry, has it stored, and says how the brake's lining stands
// by the ledger then.
func (f *entryFlags) enter(ctx context.Context, io streams, body report.EntryBody) error {
	site, err := loadSite(f.Config, configs.Run, io.err)
	if err != nil {
		return err
	}
	i, err := brakeOf(site, f.Config, f.Brake)
	if err != nil {
		return err
	}
	now := time.Now()
	at, err := timeAt(f.At, now)
	if err != nil {
		return usage(err)
	}
	body.Site, body.Brake, body.Who, body.Note, body.Corrects = site.Name, f.Brake, f.Who, f.Note, f.Corrects
	body.Time = at.UTC().Format(time.RFC3339Nano)
	row, err := body.Row(now)
	if err != nil {
		return usage(err)
	}
	if body.Sure = f.Sure; !body.Sure {
		if err := report.Doubt(row.Entry, site.AnalysisSettings()[i]); err != nil {
			return usage(fmt.Errorf("%w. If it is so, add --sure", err))
		}
	}
	if !store.Exists(site.Data) {
		return usage(fmt.Errorf("there is no database in %s; start this where the daemon runs, or start the daemon once", site.Data))
	}
	if row, err = keep(ctx, io, site, body, row); err != nil {
		return err
	}
	fmt.Fprintf(io.out, "Entered as number %d: %s, %s, on %s, by %s.\n", row.ID, row.Brake, report.EntryWords(site.AnalysisSettings()[i].Adjuster, report.BodyOf(row)),
		time.Unix(0, row.AtNS).Format("2 Jan 2006 15:04 MST"), row.Who)
	return standing(ctx, io, site, site.AnalysisSettings()[i], row)
}

// timeAt reads a time as people write it.
func timeAt(text string, now time.Time) (time.Time, error) {
	if text == "" {
		return now, nil
	}
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return t, nil
	}
	if t, err := time.ParseInLocation("2006-01-02 15:04", text, time.Local); err == nil {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("--at is %q; write it as 2026-05-04T10:00:00Z or \"2026-05-04 10:00\"", text)
}

// How long the data directory may be in somebody's hands who doesn't answer:
// another of these commands, or a daemon that is just starting.
const (
	busyFor   = 5 * time.Second
	busyEvery = 200 * time.Millisecond
)

// keep has an entry stored. The lock on the data directory decides by whom:
// where it is free this process takes it and writes; where a daemon holds it,
// the daemon is asked on its page's address. So there is one writer at any
// time, and no entry goes by a daemon that runs.
func keep(ctx context.Context, io streams, site *configs.Site, body report.EntryBody, row store.LedgerRow) (store.LedgerRow, error) {
	for began := time.Now(); ; {
		db, err := store.Open(ctx, site.Data, logger(io.err, false).With("component", "store"))
		if err == nil {
			return keepHere(ctx, site.Data, db, row)
		}
		if !errors.Is(err, store.ErrInUse) {
			return row, err
		}
		stored, sendErr := page.SendEntry(ctx, gateway.LocalGateway(site), body)
		var refused *page.RefusedError
		var dialing *net.OpError
		switch {
		case sendErr == nil:
			row.ID = stored.ID
			return row, nil
		case errors.As(sendErr, &refused) && refused.Status >= 400 && refused.Status < 500:
			return row, usage(fmt.Errorf("the daemon refuses it: %w", sendErr))
		case !errors.As(sendErr, &dialing) || dialing.Op != "dial":
			return row, fmt.Errorf("%w; look at the ledger before entering it again", sendErr)
		case time.Since(began) > busyFor:
			return row, fmt.Errorf("%w, and no daemon answers at %s: %w", err, site.Page.Listen, sendErr)
		}
		select {
		case <-ctx.Done():
			return row, ctx.Err()
		case <-time.After(busyEvery):
		}
	}
}

// keepHere stores an entry in a database that this process has opened, and
// writes it into the audit, as the daemon would. An audit that can't be opened
// stops it before anything is stored.
func keepHere(ctx context.Context, dir string, db *store.DB, row store.LedgerRow) (store.LedgerRow, error) {
	note, shut, err := gateway.OpenAudit(dir)
	if err != nil {
		return row, errors.Join(err, db.Close())
	}
	b := store.Batch{Ledger: []store.LedgerRow{row}}
	if err = db.Commit(ctx, &b); err == nil {
		row = b.Ledger[0]
	}
	a := page.AuditOfEntry(row, err)
	a.Time, a.From = time.Now().UTC().Format(time.RFC3339Nano), "gapward enter"
	closeErr := errors.Join(note(a), shut(), db.Close())
	if errors.Is(err, store.ErrCorrection) {
		return row, errors.Join(usage(err), closeErr)
	}
	if err == nil && closeErr != nil {
		closeErr = fmt.Errorf("it is entered as number %d, but: %w", row.ID, closeErr)
	}
	return row, errors.Join(err, closeErr)
}

// standing says how a reading compares with the probe, whether work still wants a
// retest, and what the lining has left by the ledger.
func standing(ctx context.Context, io streams, site *configs.Site, s analysis.Settings, row store.LedgerRow) error {
	db, err := store.OpenReadOnly(ctx, site.Data)
	if err != nil {
		return fmt.Errorf("it is entered, but reading the ledger: %w", err)
	}
	rows, err := db.Ledger(ctx, s.Name)
	entries := analysis.Standing(store.Entries(rows))
	var compared map[int64]analysis.Compared
	if err == nil && row.Kind == analysis.Reading {
		compared, err = report.Comparisons(ctx, db, s, entries)
	}
	if err = errors.Join(err, db.Close()); err != nil {
		return fmt.Errorf("it is entered, but reading the ledger: %w", err)
	}
	if c, ok := compared[row.ID]; ok {
		fmt.Fprintln(io.out, c.Words())
	}
	switch row.Kind {
	case analysis.Adjustment, analysis.LiningFitted, analysis.ReturnedToUse, analysis.Retest:
		fmt.Fprintf(io.out, "Retest after work: %s.\n", analysis.RetestOf(entries).Words)
	}
	step, ok := s.Adjuster.Step()
	use := analysis.UseOf(store.Entries(rows))
	budget := analysis.BudgetOf(s, analysis.NoValue(), analysis.NoValue(), use)
	if !ok || budget.StepsTotal == 0 {
		return nil
	}
	since := "since the ledger began: it has no lining yet"
	if use.Known {
		since = "since the lining was fitted on " + time.Unix(0, use.FittedNS).Format("2 Jan 2006")
	}
	fmt.Fprintf(io.out, "The lining has %s left of %d; %d used %s.\n", step.Remaining(budget.StepsLeft), budget.StepsTotal, budget.StepsUsed, since)
	if budget.StepsUsed > budget.StepsTotal {
		fmt.Fprintf(io.out, "That is more than one lining lasts: has a new one been fitted and not entered?\n")
	}
	return nil
}

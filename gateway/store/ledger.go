package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"gapward/analysis"
)

// ErrCorrection is why an entry that corrects another one was not stored: what
// it names isn't there, is another brake's, or has been corrected already. The
// batch is then at fault, and committing it again doesn't help.
var ErrCorrection = errors.New("the entry can't be corrected")

// entry stores an entry of the ledger. Unlike a cycle it has nothing by which a
// second time could be told from a second entry: a batch with entries whose
// fate is unclear must be looked up before it is committed again.
func (c *committing) entry(r *LedgerRow) error {
	brake, err := c.brake(r.Brake)
	if err != nil {
		return err
	}
	var corrects any
	if r.Corrects != 0 {
		if err := c.mayCorrect(r); err != nil {
			return err
		}
		corrects = r.Corrects
	}
	read, err := textOf(r.Read)
	if err != nil {
		return err
	}
	r.ID = c.next.entry
	c.next.entry++
	r.AfterCycle = c.next.cycle - 1
	_, err = c.exec(c.d.st.addEntry, brake, r.ID, r.AtNS, r.EnteredNS, string(r.Kind), int64(r.Steps), figure(r.GapMM), figure(r.GapUMM),
		figure(r.StillMM), figure(r.RunningMM), int64(r.Repeats), figure(r.UAMM), figure(r.UBMM), read, figure(r.ThicknessMM),
		string(r.NoLoad), string(r.WithLoad), r.Who, r.Note, corrects, r.AfterCycle)
	return err
}

// readings are what was read by hand as it is stored; the keys stay.
type readings struct {
	GapsMM          []float64 `json:"gaps_mm,omitempty"`
	StillMM         []float64 `json:"still_mm,omitempty"`
	RunningMM       []float64 `json:"running_mm,omitempty"`
	ResolutionMM    float64   `json:"resolution_mm,omitempty"`
	InstrumentUMM   float64   `json:"u_mm,omitempty"`
	RepeatabilityMM float64   `json:"sd_mm,omitempty"`
	RepeatabilityNu float64   `json:"dof,omitempty"`
}

// textOf is what was read by hand as text, empty where nothing is known of it.
func textOf(h analysis.HandReading) (string, error) {
	if len(h.GapsMM)+len(h.StillMM)+len(h.RunningMM) == 0 {
		return "", nil
	}
	text, err := json.Marshal(readings{h.GapsMM, h.StillMM, h.RunningMM, h.ResolutionMM, h.InstrumentUMM, h.RepeatabilitySD, h.RepeatabilityDOF})
	if err != nil {
		return "", fmt.Errorf("writing the readings of an entry: %w", err)
	}
	return string(text), nil
}

// readingsOf is the inverse of [textOf].
func readingsOf(text string) (h analysis.HandReading, err error) {
	if text == "" {
		return h, nil
	}
	var r readings
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		return h, fmt.Errorf("reading the readings of an entry: %w", err)
	}
	return analysis.HandReading{GapsMM: r.GapsMM, StillMM: r.StillMM, RunningMM: r.RunningMM, ResolutionMM: r.ResolutionMM,
		InstrumentUMM: r.InstrumentUMM, RepeatabilitySD: r.RepeatabilityMM, RepeatabilityDOF: r.RepeatabilityNu}, nil
}

// mayCorrect reports why an entry may not take the place of the one it names.
func (c *committing) mayCorrect(r *LedgerRow) error {
	var brake string
	var by int64
	err := c.tx.StmtContext(c.ctx, c.d.st.findEntry).QueryRowContext(c.ctx, r.Corrects).Scan(&brake, &by)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("%w: there is no entry %d", ErrCorrection, r.Corrects)
	case err != nil:
		return fmt.Errorf("looking for entry %d: %w", r.Corrects, err)
	case brake != r.Brake:
		return fmt.Errorf("%w: entry %d is of %s", ErrCorrection, r.Corrects, brake)
	case by != 0:
		return fmt.Errorf("%w: entry %d has been corrected by entry %d already; correct that one", ErrCorrection, r.Corrects, by)
	}
	return nil
}

func scanEntry(s scanner) (r LedgerRow, err error) {
	var corrects sql.NullInt64
	var after sql.NullInt64
	var read string
	err = s.Scan(&r.Brake, &r.ID, &r.AtNS, &r.EnteredNS, &r.Kind, &r.Steps, nan(&r.GapMM), nan(&r.GapUMM),
		nan(&r.StillMM), nan(&r.RunningMM), &r.Repeats, nan(&r.UAMM), nan(&r.UBMM), &read, nan(&r.ThicknessMM),
		&r.NoLoad, &r.WithLoad, &r.Who, &r.Note, &corrects, &after)
	if err != nil {
		return r, err
	}
	if r.Corrects, r.AfterCycle = corrects.Int64, after.Int64; !after.Valid {
		r.AfterCycle = -1
	}
	r.Read, err = readingsOf(read)
	return r, err
}

const ledgerQuery = " FROM ledger t JOIN brakes b ON b.id = t.brake"

// Ledger reads all entries of a brake, or of all brakes where it is empty, in
// the order of their ids: corrected ones and corrections too. What of them
// counts says [analysis.Standing].
func (d *DB) Ledger(ctx context.Context, brake string) ([]LedgerRow, error) {
	return list(ctx, d, "the ledger", scanEntry, "SELECT "+columns(ledgerFigures)+ledgerQuery+
		" WHERE ?1 = '' OR b.name = ?1 ORDER BY t.id", brake)
}

// LedgerAfter reads the entries with ids above id, of all brakes, in the order
// of their ids and at most limit.
func (d *DB) LedgerAfter(ctx context.Context, id int64, limit int) ([]LedgerRow, error) {
	return list(ctx, d, "the ledger", scanEntry, "SELECT "+columns(ledgerFigures)+ledgerQuery+
		" WHERE t.id > ? ORDER BY t.id LIMIT ?", id, limit)
}

// Entries are the rows without their brake.
func Entries(rows []LedgerRow) []analysis.Entry {
	list := make([]analysis.Entry, len(rows))
	for i, r := range rows {
		list[i] = r.Entry
	}
	return list
}

// Exists reports whether dir has a database.
func Exists(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, databaseName))
	return err == nil
}

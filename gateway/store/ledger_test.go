package store

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gapward/analysis"
)

func entryOf(brake string, kind analysis.EntryKind, i int) LedgerRow {
	e := analysis.NewEntry(kind, startNS+int64(i)*secondNS, "K. Berg")
	e.EnteredNS, e.Note = startNS+int64(i+60)*secondNS, "after the night shift, \"wet\""
	switch kind {
	case analysis.Adjustment:
		e.Steps = 2
	case analysis.Reading:
		e.GapMM, e.GapUMM, e.StillMM, e.RunningMM, e.Repeats = 5.2/3, 0.05/7, 41.2, 42.9, 3
		e.UAMM, e.UBMM = 0.04/7, 0.03/7
		e.Read = analysis.HandReading{StillMM: []float64{41.2, 41.25, 41.15}, RunningMM: []float64{42.9, 42.95}, ResolutionMM: 0.05, InstrumentUMM: 0.01}
	case analysis.Retest:
		e.NoLoad, e.WithLoad = analysis.Passed, analysis.Failed
	case analysis.LiningFitted:
		e.ThicknessMM = 6.05
	}
	return LedgerRow{Brake: brake, Entry: e}
}

func TestLedgerReadsBackWhatWasEntered(t *testing.T) {
	dir := t.TempDir()
	d := openAt(t, dir)
	b := &Batch{Ledger: []LedgerRow{
		entryOf(mainBrake, analysis.LiningFitted, 0), entryOf(mainBrake, analysis.Adjustment, 2), entryOf(creepBrake, analysis.Reading, 1),
		entryOf(mainBrake, analysis.OutOfService, 3), entryOf(mainBrake, analysis.ReturnedToUse, 4), entryOf(creepBrake, analysis.Retest, 5),
	}}
	wantEmptyThenNot(t, b)
	commit(t, d, b)
	for i, r := range b.Ledger {
		if r.ID != int64(i+1) {
			t.Errorf("entry %d has id %d", i, r.ID)
		}
	}
	wrong := entryOf(mainBrake, analysis.Adjustment, 2)
	wrong.Steps, wrong.Corrects = 1, 2
	commit(t, d, &Batch{Ledger: []LedgerRow{wrong}})
	wrong.ID = 7
	all := append(append([]LedgerRow{}, b.Ledger...), wrong)
	wantSame(t, "all", must(d.Ledger(t.Context(), "")), all)
	wantSame(t, "one brake's", must(d.Ledger(t.Context(), creepBrake)), []LedgerRow{all[2], all[5]})
	wantSame(t, "a strange brake's", must(d.Ledger(t.Context(), "pit/hoist")), []LedgerRow(nil))
	wantSame(t, "after 3, two", must(d.LedgerAfter(t.Context(), 3, 2)), all[3:5])
	if n := must(d.Newest(t.Context())); n.Entry != 7 {
		t.Errorf("the newest is %+v", n)
	}
	if use := analysis.UseOf(Entries(must(d.Ledger(t.Context(), mainBrake)))); !use.Known || use.StepsUsed != 1 || use.ThicknessMM != 6.05 {
		t.Errorf("the lining's use is %+v", use)
	}
	ro, err := OpenReadOnly(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	wantSame(t, "read only", must(ro.Ledger(t.Context(), "")), all)
	if err := ro.Close(); err != nil {
		t.Error(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d = openAt(t, dir)
	next := &Batch{Ledger: []LedgerRow{entryOf(mainBrake, analysis.Adjustment, 9)}}
	commit(t, d, next)
	if next.Ledger[0].ID != 8 {
		t.Errorf("after a restart the next id is %d", next.Ledger[0].ID)
	}
}

func wantEmptyThenNot(t *testing.T, b *Batch) {
	t.Helper()
	if b.Empty() {
		t.Error("a batch with entries counts as empty")
	}
	copied := *b
	copied.Ledger = append([]LedgerRow{}, b.Ledger...)
	if copied.Reset(); !copied.Empty() {
		t.Error("a batch that was reset still has entries")
	}
}

func TestCorrectionsAreHeldToTheirEntry(t *testing.T) {
	d := openAt(t, t.TempDir())
	commit(t, d, &Batch{Ledger: []LedgerRow{entryOf(mainBrake, analysis.Adjustment, 0), entryOf(creepBrake, analysis.Adjustment, 1)}})
	withdraw := func(brake string, id int64) *Batch {
		r := entryOf(brake, analysis.CorrectionOnly, 5)
		r.Corrects = id
		return &Batch{Cycles: []CycleRow{cycleAt(mainBrake, int(id))}, Ledger: []LedgerRow{r}}
	}
	commit(t, d, withdraw(mainBrake, 1))
	for _, c := range []struct {
		id   int64
		says string
	}{{99, "there is no entry 99"}, {2, "entry 2 is of quay-2/creep"}, {1, "entry 1 has been corrected by entry 3 already; correct that one"}} {
		b := withdraw(mainBrake, c.id)
		b.Cycles[0] = cycleAt(mainBrake, 50)
		err := d.Commit(t.Context(), b)
		if !errors.Is(err, ErrCorrection) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("correcting %d: %v; want %q", c.id, err, c.says)
		}
		if b.Ledger[0].ID != 0 {
			t.Errorf("a refused entry has id %d", b.Ledger[0].ID)
		}
	}
	if got := len(must(d.Cycles(t.Context(), mainBrake, 0, 1<<62, 0))); got != 1 {
		t.Errorf("%d cycles are stored, of refused batches too", got)
	}
	commit(t, d, withdraw(mainBrake, 3)) // a correction may be corrected
	if rows := must(d.Ledger(t.Context(), "")); len(rows) != 4 || rows[3].ID != 4 {
		t.Errorf("the ledger is %+v", rows)
	}
}

func TestEntriesAreNeitherEditedNorDeleted(t *testing.T) {
	d := openAt(t, t.TempDir())
	commit(t, d, &Batch{Ledger: []LedgerRow{entryOf(mainBrake, analysis.Adjustment, 0)}})
	for _, statement := range []string{"UPDATE ledger SET steps = 1", "DELETE FROM ledger"} {
		if _, err := d.write.Exec(statement); err == nil || !strings.Contains(err.Error(), "enter a correction") {
			t.Errorf("%s: %v", statement, err)
		}
	}
	for _, bad := range []func(*LedgerRow){func(r *LedgerRow) { r.Kind = "party" }, func(r *LedgerRow) { r.Who = "" }} {
		r := entryOf(mainBrake, analysis.Adjustment, 1)
		bad(&r)
		if err := d.Commit(t.Context(), &Batch{Ledger: []LedgerRow{r}}); err == nil {
			t.Errorf("%+v was stored", r)
		}
	}
	wantSame(t, "the ledger", len(must(d.Ledger(t.Context(), ""))), 1)
}

// A database of the first schema gets its ledger at the next start, and keeps
// what it has.
func TestLedgerComesToAnOlderDatabase(t *testing.T) {
	dir := t.TempDir()
	text, err := migrations.ReadFile("migrations/0001_begin.sql")
	if err != nil {
		t.Fatal(err)
	}
	raw(t, filepath.Join(dir, databaseName), string(text), fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = 1", applicationID),
		"INSERT INTO brakes (name) VALUES ('quay-2/main')")
	if _, err := OpenReadOnly(t.Context(), dir); err == nil || !strings.Contains(err.Error(), "start the daemon once") {
		t.Errorf("an older schema is read as %v", err)
	}
	d, err := Open(t.Context(), dir, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = d.Close() }()
	commit(t, d, &Batch{Ledger: []LedgerRow{entryOf(mainBrake, analysis.Adjustment, 0)}})
	if names := must(d.Brakes(t.Context())); len(names) != 1 {
		t.Errorf("the brakes are %q", names)
	}
}

// A ledger from before repeats were kept comes over row by row, corrections and
// corrections of corrections too, and is still not to be edited.
func TestAnOlderLedgerIsKept(t *testing.T) {
	dir := t.TempDir()
	steps := []string{}
	for _, name := range migrationNames()[:5] {
		text, err := migrations.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		steps = append(steps, string(text))
	}
	const entry = "INSERT INTO ledger (id, brake, at_ns, entered_ns, kind, steps, gap_mm, gap_u_mm, repeats, who, note, corrects) VALUES "
	raw(t, filepath.Join(dir, databaseName), append(steps, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = 5", applicationID),
		"INSERT INTO brakes (name) VALUES ('quay-2/main')",
		entry+"(1, 1, 10, 11, 'adjustment', 2, NULL, NULL, 0, 'K. Berg', '', NULL), (2, 1, 20, 21, 'reading', 0, 1.75, 0.04, 3, 'K. Berg', 'wet', NULL)",
		entry+"(3, 1, 10, 31, 'adjustment', 1, NULL, NULL, 0, 'K. Berg', '', 1), (4, 1, 10, 41, 'correction', 0, NULL, NULL, 0, 'K. Berg', '', 3)")...)
	d := openAt(t, dir)
	rows := must(d.Ledger(t.Context(), mainBrake))
	if len(rows) != 4 || rows[1].GapMM != 1.75 || rows[1].Note != "wet" || analysis.Has(rows[1].UAMM) || rows[2].Corrects != 1 || rows[3].Corrects != 3 || rows[3].EnteredNS != 41 {
		t.Fatalf("the ledger is %+v", rows)
	}
	again := entryOf(mainBrake, analysis.CorrectionOnly, 5)
	again.Corrects = 1
	if err := d.Commit(t.Context(), &Batch{Ledger: []LedgerRow{again}}); !errors.Is(err, ErrCorrection) {
		t.Errorf("an entry that is corrected was corrected once more: %v", err)
	}
	for _, statement := range []string{"UPDATE ledger SET steps = 1", "DELETE FROM ledger", "INSERT INTO ledger SELECT 9, brake, at_ns, entered_ns, kind, steps, gap_mm, gap_u_mm, still_mm, running_mm, repeats, u_a_mm, u_b_mm, read, thickness_mm, no_load, with_load, who, note, 3 FROM ledger WHERE id = 1"} {
		if _, err := d.write.Exec(statement); err == nil {
			t.Errorf("%s was done", statement)
		}
	}
	commit(t, d, &Batch{Ledger: []LedgerRow{entryOf(mainBrake, analysis.Retest, 6)}})
}

func TestExistsTellsWhetherThereIsADatabase(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	if Exists(dir) {
		t.Error("a directory that isn't there has a database")
	}
	if err := os.Mkdir(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	if Exists(dir) {
		t.Error("an empty directory has a database")
	}
	openAt(t, dir)
	if !Exists(dir) {
		t.Error("an open database isn't seen")
	}
}

package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The ledger comes out as it went in, alone and in the record, and what can't be
// made is refused in words.
func TestReportCommand(t *testing.T) {
	config, data := newLedgerSite(t)
	if code, _, errs := invoke(t, "report", "--config", config); code != exitUsage || !strings.Contains(errs, "start the daemon once") {
		t.Errorf("without a database: exit %d, %s", code, errs)
	}
	makeDatabase(t, data)
	enterAll(t, config)
	out := filepath.Join(t.TempDir(), "record.html")
	code, said, errs := invoke(t, "report", "--config", config, "--out", out)
	if code != exitDone || said != "Written: "+out+"\n" {
		t.Fatalf("exit %d, %s%s", code, said, errs)
	}
	page, err := os.ReadFile(out)
	if err != nil || !strings.Contains(string(page), "Inspection record") || !strings.Contains(string(page), "retest: without load passed, with load passed") {
		t.Errorf("the record is %d bytes: %v", len(page), err)
	}
	if code, _, errs := invoke(t, "report", "--config", config, "--out", out); code != exitUsage || !strings.Contains(errs, "is there already") {
		t.Errorf("over a record: exit %d, %s", code, errs)
	}

	_, text, _ := invoke(t, "report", "--config", config, "--brake", "quay-2/main", "--from", "2026-01-01", "--format", "json")
	var rec struct {
		Brakes []struct {
			Name   string
			Ledger []struct{ Kind string }
		}
	}
	if err := json.Unmarshal([]byte(text), &rec); err != nil || len(rec.Brakes) != 1 || rec.Brakes[0].Name != "quay-2/main" || len(rec.Brakes[0].Ledger) != len(ledgerOf(t, data)) {
		t.Errorf("as JSON: %v, %+v", err, rec)
	}
	_, text, _ = invoke(t, "report", "--config", config, "--ledger", "--format", "csv")
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(rows) != 1+len(ledgerOf(t, data)) {
		t.Errorf("the ledger as CSV: %d rows, %v", len(rows), err)
	}
	_, text, _ = invoke(t, "report", "--config", config, "--ledger", "--format", "json")
	var ledger struct {
		Entries []struct{ Readings *struct{} }
	}
	if err := json.Unmarshal([]byte(text), &ledger); err != nil || len(ledger.Entries) != len(rows)-1 || ledger.Entries[3].Readings == nil {
		t.Errorf("the ledger as JSON: %v", err)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--brake", "quay-9/main"}, "has no brake called"},
		{[]string{"--from", "yesterday"}, "--from \"yesterday\" is no day and no time"},
		{[]string{"--from", "2026-02-01", "--to", "2026-01-01"}, "--from is not before --to"},
		{[]string{"--ledger"}, "--format csv or --format json"},
		{[]string{"--format", "pdf"}, "html"},
	} {
		if code, _, errs := invoke(t, append([]string{"report", "--config", config}, c.args...)...); code != exitUsage || !strings.Contains(errs, c.says) {
			t.Errorf("%v: exit %d, %s; want %q", c.args, code, errs, c.says)
		}
	}
}

// The record of a worn brake prints on A4, and what is on paper is what is on
// the page.
func TestTheInspectionRecordPrints(t *testing.T) {
	need := func(name string) string {
		path, err := exec.LookPath(name)
		if err != nil {
			if os.Getenv("GAPWARD_REAL") == "1" {
				t.Fatalf("GAPWARD_REAL=1 wants %s: %v", name, err)
			}
			t.Skipf("%s is not installed", name)
		}
		return path
	}
	chromium, pdfinfo, pdftotext := need("chromium"), need("pdfinfo"), need("pdftotext")
	w := wearOut(t)
	dir := t.TempDir()
	html, pdf := filepath.Join(dir, "record.html"), filepath.Join(dir, "record.pdf")
	if code, _, errs := invoke(t, "report", "--config", w.file, "--from", "2025-11-01", "--to", "2026-02-28", "--out", html); code != exitDone {
		t.Fatalf("exit %d: %s", code, errs)
	}
	cmd := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", "--user-data-dir="+filepath.Join(dir, "profile"), "--print-to-pdf="+pdf, "file://"+html)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, out)
	}
	info, err := exec.Command(pdfinfo, pdf).Output()
	if err != nil || !bytes.Contains(info, []byte("(A4)")) {
		t.Errorf("%v\n%s", err, info)
	}
	text, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	words := []byte(strings.Join(strings.Fields(string(text)), " ")) // wherever a line ends on paper
	for _, want := range []string{"Inspection record", "page 1 of ", "Kestrel Quay", "Land the load and secure the hook.", "quay-2/creep", "Turn the brake ring on by 2 index holes", "Cyclic duration factor", "kJ a stop lowering", "Inspected by, date", "Retest with load by, date"} {
		if !bytes.Contains(words, []byte(want)) {
			t.Errorf("paper lacks %q", want)
		}
	}
}

package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/page"
	"gapward/gateway/store"
)

// A site whose one device isn't there: the daemon runs all the same. Invented.
const ledgerSite = `
site: Ledger Quay
data: %s
page: {listen: "%s"}
devices:
  io: {modbus: "tcp://127.0.0.1:9", unit: 1, timeout: 100ms}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 20ms}
      drive: {device: io, discrete: 0}
    adjuster: {ring: {holes: 6, pitch_mm: 3.0, uses: 3}}
    lining: {thickness_mm: 6.0, minimum_mm: 4.0, cone_half_angle_deg: 15}
  - name: quay-2/creep
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    signals:
      travel: {device: io, input: 1, raw: [0, 4095], mm: [0, 10], poll: 20ms}
      drive: {device: io, discrete: 1}
    adjuster: {shims: {packs: 2, thickness_mm: 0.1, fitted: 10}}
`

// newLedgerSite writes a site file; its data directory is dir/data.
func newLedgerSite(t *testing.T) (config, data string) {
	t.Helper()
	dir := t.TempDir()
	ln, err := net.Listen("tcp", "127.0.0.1:0") // a port that is free for now
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	if err := ln.Close(); err != nil {
		t.Fatal(err)
	}
	config, data = filepath.Join(dir, "site.yaml"), filepath.Join(dir, "data")
	if err := os.WriteFile(config, fmt.Appendf(nil, ledgerSite, data, addr), 0o600); err != nil {
		t.Fatal(err)
	}
	return config, data
}

func makeDatabase(t *testing.T, data string) {
	t.Helper()
	db, err := store.Open(t.Context(), data, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func ledgerOf(t *testing.T, data string) []store.LedgerRow {
	t.Helper()
	db, err := store.OpenReadOnly(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := db.Ledger(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
	return rows
}

// enterAll makes entries of every kind, and wants their words.
func enterAll(t *testing.T, config string) {
	t.Helper()
	flags := []string{"--config", config, "--brake", "quay-2/main", "--who", "K. Berg"}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"lining", "--thickness", "6.05", "--at", "2026-05-04T10:00:00Z"}, "Entered as number 1: quay-2/main, a new lining of 6.05 mm, on 4 May 2026"},
		{[]string{"adjustment", "--steps", "2", "--note", "yearly inspection", "--at", "2026-08-01T10:00:00Z"}, "adjusted by 2 holes"},
		{[]string{"adjustment", "--steps", "1", "--corrects", "2", "--at", "2026-08-01T10:00:00Z"}, "The lining has 2 holes left of 3; 1 used since the lining was fitted on 4 May 2026."},
		{[]string{"reading", "--still", "41.2", "--still", "41.3", "--still", "41.2", "--running", "42.9", "--running", "42.9", "--running", "43"}, "a gap of 1.70 ± 0.12 mm read by hand 3 times"},
		{[]string{"reading", "--gap", "1.7"}, "read by hand once"},
		{[]string{"adjustment", "--steps=-1"}, "adjusted by one hole back"},
		{[]string{"out-of-service", "--note", "motor away"}, "out of service"},
		{[]string{"return"}, "returned to service"},
		{[]string{"correction", "--corrects", "6"}, "entry 6 withdrawn"},
		{[]string{"adjustment", "--steps", "3"}, "The lining has no holes left of 3; 4 used since the lining was fitted on 4 May 2026.\nThat is more than one lining lasts"},
		{[]string{"retest", "--no-load", "passed"}, "Retest after work: passed without load, by K. Berg; no trial with load was entered."},
		{[]string{"retest", "--no-load", "passed", "--with-load", "passed"}, "Retest after work: passed without load and with load, by K. Berg."},
	} {
		code, out, errs := invoke(t, append(append([]string{"enter"}, c.args...), flags...)...)
		if code != exitDone || !strings.Contains(out, c.says) {
			t.Errorf("%v: exit %d\n%s%s\nwant %q", c.args, code, out, errs, c.says)
		}
	}
}

// What looks like a slip of the pen is not entered, before it is said that it is
// meant.
func TestEnterAsksAboutWhatLooksWrong(t *testing.T) {
	config, data := newLedgerSite(t)
	makeDatabase(t, data)
	args := []string{"enter", "reading", "--config", config, "--brake", "quay-2/main", "--who", "K. Berg", "--gap", "95"}
	if code, _, errs := invoke(t, args...); code != exitUsage || !strings.Contains(errs, "more than twice the maximum of quay-2/main") || !strings.Contains(errs, "If it is so, add --sure") {
		t.Errorf("a gap of 95 mm: exit %d, %s", code, errs)
	}
	if code, out, errs := invoke(t, append(args, "--sure")...); code != exitDone || !strings.Contains(out, "95.00") {
		t.Errorf("and meant: exit %d, %s%s", code, out, errs)
	}
	if n := len(ledgerOf(t, data)); n != 1 {
		t.Errorf("%d entries, want 1", n)
	}
}

func wantEntered(t *testing.T, rows []store.LedgerRow) {
	t.Helper()
	var kinds []string
	for i, r := range rows {
		if r.ID != int64(i+1) || r.Brake != "quay-2/main" || r.Who != "K. Berg" || time.Since(time.Unix(0, r.EnteredNS)) > time.Minute {
			t.Errorf("entry %d is %+v", i, r)
		}
		kinds = append(kinds, string(r.Kind))
	}
	if got := strings.Join(kinds, " "); got != "lining adjustment adjustment reading reading adjustment out-of-service return correction adjustment retest retest" {
		t.Fatalf("the ledger has %s", got)
	}
	if r := rows[0]; r.ThicknessMM != 6.05 || r.AtNS != time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC).UnixNano() {
		t.Errorf("the lining is %+v", r)
	}
	if r := rows[2]; r.Corrects != 2 || r.Steps != 1 {
		t.Errorf("the correction is %+v", r)
	}
	if r := rows[3].Read; fmt.Sprint(r.StillMM, r.RunningMM, rows[4].Read.GapsMM) != "[41.2 41.3 41.2] [42.9 42.9 43] [1.7]" || !(rows[3].UAMM > 0 && rows[3].UBMM > 0) {
		t.Errorf("the repeats are %+v", rows[3])
	}
	if r := rows[3]; r.Repeats != 3 || fmt.Sprintf("%.3f %.3f %.3f", r.GapMM, r.StillMM, r.RunningMM) != "1.700 41.233 42.933" {
		t.Errorf("the reading is %+v", r)
	}
	if use := analysis.UseOf(store.Entries(rows)); use.StepsUsed != 4 || !use.Known {
		t.Errorf("the lining's use is %+v", use)
	}
}

func TestEnterWithoutADaemon(t *testing.T) {
	config, data := newLedgerSite(t)
	makeDatabase(t, data)
	enterAll(t, config)
	wantEntered(t, ledgerOf(t, data))
	code, _, errs := invoke(t, "enter", "adjustment", "--config", config, "--brake", "quay-2/main", "--who", "K. Berg", "--steps", "1", "--corrects", "2")
	if code != exitUsage {
		t.Errorf("correcting what has been corrected: exit %d, %s", code, errs)
	}
	wantAudited(t, data, "gapward enter", "the entry can't be corrected: entry 2 has been corrected by entry 3 already")
}

// wantAudited fails the test unless each entry of the ledger has its line in the
// audit, in order, and the last line is a refusal.
func wantAudited(t *testing.T, data, from, refused string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(data, "audit.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	lines, want := strings.Split(strings.TrimSpace(string(text)), "\n"), ledgerOf(t, data)
	if len(lines) != len(want)+1 {
		t.Fatalf("the audit has %d lines, want %d: %s", len(lines), len(want)+1, text)
	}
	for i, line := range lines {
		var got page.Audit
		if err := json.Unmarshal([]byte(line), &got); err != nil {
			t.Fatal(err)
		}
		if at, err := time.Parse(time.RFC3339Nano, got.Time); err != nil || time.Since(at) > time.Hour {
			t.Errorf("the time of %s", line)
		}
		got.Time = ""
		expected := page.Audit{Who: "K. Berg", From: from, Did: "enter adjustment", About: "quay-2/main", Outcome: got.Outcome}
		if i == len(want) && !strings.Contains(got.Outcome, refused) {
			t.Errorf("of what was refused the audit says %q", got.Outcome)
		}
		if i < len(want) {
			expected = page.AuditOfEntry(want[i], nil)
			expected.From = from
		}
		if got != expected {
			t.Errorf("the audit has %+v, want %+v", got, expected)
		}
	}
}

// The same entries while the daemon runs: it writes them, and what it writes is
// the same.
func TestEnterBesideADaemon(t *testing.T) {
	config, data := newLedgerSite(t)
	r := begin(t, "run", "--config", config)
	eventually(t, 20*time.Second, "the daemon runs", func() bool { return strings.Contains(r.err.String(), "msg=running") })
	enterAll(t, config)
	code, _, errs := invoke(t, "enter", "adjustment", "--config", config, "--brake", "quay-2/main", "--who", "K. Berg", "--steps", "1", "--corrects", "2")
	if code != exitUsage || !strings.Contains(errs, "the daemon refuses it") || !strings.Contains(errs, "entry 2 has been corrected by entry 3 already") {
		t.Errorf("exit %d: %s", code, errs)
	}
	if log := r.err.String(); !strings.Contains(log, "entered into the ledger") {
		t.Errorf("the daemon says nothing of it: %s", log)
	}
	if code := r.stop(t); code != exitDone {
		t.Errorf("the daemon ended with %d", code)
	}
	wantEntered(t, ledgerOf(t, data))
}

func TestEnterRefusesInWords(t *testing.T) {
	config, data := newLedgerSite(t)
	flags := func(args ...string) []string {
		return append(append([]string{"enter"}, args...), "--config", config, "--brake", "quay-2/main", "--who", "K. Berg")
	}
	code, _, errs := invoke(t, flags("return")...)
	if code != exitUsage || !strings.Contains(errs, "there is no database in "+data) {
		t.Errorf("without a database: exit %d, %s", code, errs)
	}
	if _, err := os.Stat(data); err == nil {
		t.Error("it made a data directory")
	}
	makeDatabase(t, data)
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"enter"}, "expected one of"},
		{[]string{"enter", "return", "--config", config, "--brake", "quay-2/main"}, "--who"},
		{[]string{"enter", "return", "--config", config, "--brake", "pit", "--who", "K"}, `has no brake called "pit"; its brakes are quay-2/main, quay-2/creep`},
		{[]string{"enter", "return", "--config", config + ".not", "--brake", "pit", "--who", "K"}, "no such file"},
		{flags("adjustment"), "--steps"},
		{flags("adjustment", "--steps", "0"), "other than 0"},
		{flags("adjustment", "--steps", "one"), "--steps"},
		{flags("reading"), "there is no reading"},
		{flags("reading", "--gap", "1,7"), "--gap"},
		{flags("reading", "--still", "41.2"), "motor running are missing"},
		{flags("return", "--at", "yesterday"), `--at is "yesterday"`},
		{flags("return", "--at", "2090-01-01T00:00:00Z"), "in the future"},
		{flags("correction"), "number of the entry"},
		{flags("correction", "--corrects", "5"), "there is no entry 5"},
		{flags("lining", "--thickness=-1"), "a thickness of -1 mm"},
	} {
		code, out, errs := invoke(t, c.args...)
		if code != exitUsage || !strings.Contains(errs, c.says) || out != "" {
			t.Errorf("%v: exit %d, %q, %q; want %q", c.args, code, out, errs, c.says)
		}
	}
	if rows := ledgerOf(t, data); len(rows) != 0 {
		t.Errorf("refused entries are stored: %+v", rows)
	}
}

// Somebody has the data directory and answers nowhere.
func TestEnterWhereNobodyAnswers(t *testing.T) {
	config, data := newLedgerSite(t)
	db, err := store.Open(t.Context(), data, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	code, _, errs := invoke(t, "enter", "return", "--config", config, "--brake", "quay-2/main", "--who", "K")
	if code != exitFailed || !strings.Contains(errs, "in use") || !strings.Contains(errs, "no daemon answers") {
		t.Errorf("exit %d: %s", code, errs)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
	if code, _, errs := invoke(t, "enter", "return", "--config", config, "--brake", "quay-2/main", "--who", "K"); code != exitDone {
		t.Errorf("once it is free: exit %d, %s", code, errs)
	}
}

func TestEnterHelpHasAnExample(t *testing.T) {
	for _, c := range [][2]string{{"", "adjustment"}, {"reading", "reading"}, {"adjustment", "adjustment"}, {"lining", "lining"},
		{"out-of-service", "out-of-service"}, {"return", "return"}, {"correction", "correction"}} {
		args := []string{"enter", c[0], "--help"}
		if c[0] == "" {
			args = []string{"enter", "--help"}
		}
		if code, out, _ := invoke(t, args...); code != exitDone || strings.Count(out, "gapward enter "+c[1]+" --config configs/") != 1 {
			t.Errorf("%v: exit %d, %s", args, code, out)
		}
	}
}

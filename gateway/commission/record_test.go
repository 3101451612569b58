package commission

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"gapward/alerts"
)

// sample is a record with everything in it.
func sample() *Report {
	r := &Report{Site: "Kestrel Quay", SiteFile: "configs/kestrel-quay.yaml", SiteHash: strings.Repeat("5d7f", 16), Version: "1.0.0, commit 0123456",
		By: "A. <Fitter>", Began: time.Date(2026, 3, 3, 9, 0, 0, 0, time.UTC), Ended: time.Date(2026, 3, 3, 10, 12, 40, 0, time.UTC), Cautions: alerts.Cautions()}
	for _, name := range []string{"quay-2/main", "quay-2/creep", "gantry-1/hoist"} {
		travel := Channel{Signal: "travel", Device: "quay-io", Where: "input register 0", Verdict: Passed}
		travel.pass("answers", "1200 of 1200 readings brought a value")
		travel.pass("sampling rate", "every 20.1 ms on average, 99 % within 22.4 ms, asked for every 20ms")
		travel.pass("range", "raw 1230 to 2110")
		travel.pass("travel with drive", "agreement 1.00 over 6 drive-ons")
		travel.fail("sign", "the reading falls when the drive comes on", "wrong sign: released must be the larger reading", swapSign)
		travel.open("scale", "not looked at", "Put right what failed above first.")
		travel.figure("noise", 0.0031, "mm")
		travel.figure("raw_lowest", 1230, "")
		drive := Channel{Signal: "drive", Device: "quay-io", Where: "discrete input 0", Verdict: Passed}
		drive.pass("answers", "1200 of 1200 readings brought a value")
		drive.pass("release and set time", "release 162 ms, set 141 ms (medians)")
		b := Brake{Name: name, Cycles: 6, Jogs: 1, Channels: []Channel{travel, drive}, Gauge: &Gauge{SetMM: []float64{42.1, 42.15}, ReleasedMM: []float64{40.2, 40.2}, GapMM: 1.925, UMM: 0.041, ProbeMM: 1.917, ProbeUMM: 0.011, Zeta: -0.19}}
		b.figure("gap", 1.9171, "mm")
		r.Brakes = append(r.Brakes, b)
	}
	r.tally()
	return r
}

func TestTheRecordIsSaved(t *testing.T) {
	dir := t.TempDir()
	r := sample()
	if r.Verdict != Failed || r.Failed != 3 || r.Passed != 3 || r.Brakes[0].Verdict != Failed {
		t.Errorf("tally: %s, %d failed, %d passed", r.Verdict, r.Failed, r.Passed)
	}
	html, data, err := r.Save(dir)
	if err != nil {
		t.Fatal(err)
	}
	if want := filepath.Join(dir, "commission-kestrel-quay-20260303T090000Z.html"); html != want {
		t.Errorf("it is in %s, want %s", html, want)
	}
	page, err := os.ReadFile(html)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range append(alerts.Cautions(), "A. &lt;Fitter&gt;", r.SiteHash, "1.0.0, commit 0123456", "2026-03-03 09:00:00 UTC", "Looks like: wrong sign",
		"size: A4", "place, date, signature", "zeta -0.2", "not proven", "noise 0.0031 mm") {
		if !bytes.Contains(page, []byte(strings.ReplaceAll(want, "'", "&#39;"))) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, never := range []string{"http://", "https://", "<script", "ZgotmplZ", "<no value>"} {
		if bytes.Contains(page, []byte(never)) {
			t.Errorf("the page has %q", never)
		}
	}
	raw, err := os.ReadFile(data)
	if err != nil {
		t.Fatal(err)
	}
	var back Report
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(*r, back); diff != "" {
		t.Errorf("what comes back from JSON differs:\n%s", diff)
	}
	if _, _, err := r.Save(dir); err == nil || !strings.Contains(err.Error(), "exists") {
		t.Errorf("a record was overwritten: %v", err)
	}
	if _, _, err := r.Save(filepath.Join(dir, "nowhere")); err == nil || !strings.Contains(err.Error(), "saving the record") {
		t.Errorf("saved nowhere: %v", err)
	}
}

// The record prints on A4, and what is on paper is what is on the page.
func TestTheRecordPrints(t *testing.T) {
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
	dir := t.TempDir()
	html, _, err := sample().Save(dir)
	if err != nil {
		t.Fatal(err)
	}
	pdf := filepath.Join(dir, "record.pdf")
	cmd := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", "--user-data-dir="+filepath.Join(dir, "profile"), "--print-to-pdf="+pdf, "file://"+html)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, out)
	}
	if keep := os.Getenv("GAPWARD_ARTEFACTS"); keep != "" {
		if b, err := os.ReadFile(pdf); err == nil {
			if err := os.WriteFile(filepath.Join(keep, "commissioning-record.pdf"), b, 0o644); err != nil {
				t.Error(err)
			}
		}
	}
	info, err := exec.Command(pdfinfo, pdf).Output()
	if err != nil || !bytes.Contains(info, []byte("(A4)")) {
		t.Errorf("%v\n%s", err, info)
	}
	text, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Commissioning record", "Kestrel Quay", "Land the load and secure the hook.", "gantry-1/hoist", "Commissioned by: A. <Fitter>"} {
		if !bytes.Contains(text, []byte(want)) {
			t.Errorf("paper lacks %q", want)
		}
	}
}

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"gapward/gateway/commission"
)

const serialSite = `
site: Pit Line
data: %s
devices:
  pit-io: {modbus: "rtu://%s?baud=115200&parity=even", unit: 7, timeout: 1s}
brakes:
  - name: pit-1/hoist
    kind: disc
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    signals:
      travel: {device: pit-io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 40ms, u_mm: 0.01}
      drive: {device: pit-io, discrete: 0}
      released: {device: pit-io, discrete: 1}
`

// The devices of a serial line, made by simulate, are commissioned by another
// process's worth of gapward: with the right wiring, and with a wrong one.
func TestCommissionWhatSimulateShows(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("pseudo terminals are made on Linux only")
	}
	t.Parallel()
	dir := t.TempDir()
	right, wrong := filepath.Join(dir, "right.yaml"), filepath.Join(dir, "wrong.yaml")
	site := fmt.Sprintf(serialSite, dir, filepath.Join(dir, "ttyPit"))
	for path, text := range map[string]string{right: site, wrong: strings.Replace(site, "discrete: 1}", "discrete: 1, invert: true}", 1)} {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	devices := begin(t, "simulate", right, "--seed", "3")
	devices.out.find(t, 10*time.Second, `Standing in for 1 device of Pit Line`)

	// The simulated gap is halfway from target to adjust, 1.4 mm.
	commissioned := func(args ...string) (proof *running, code int) {
		proof = begin(t, append([]string{"commission", "--auto", "2m", "--cycles", "2", "--by", "A. Fitter", "--out", dir}, args...)...)
		return proof, proof.wait(t, 3*time.Minute)
	}
	var proof *running
	code := 0
	for try := range 3 { // a machine that is too busy can't keep the rate, and says so
		proof, code = commissioned(right, "--gauge", "pit-1/hoist=41.40,40.00", "--gauge", "pit-1/hoist=41.40,40.05")
		if try == 2 || !strings.Contains(proof.out.String(), "FAILED  sampling rate") {
			break
		}
		t.Log("the machine was too busy; once more")
	}
	if code != 0 || !strings.Contains(proof.out.String(), "3 of 3 channels passed, 0 failed, 0 not proven.") {
		t.Errorf("exit code %d", code)
	}
	path := proof.out.find(t, time.Second, `and in (\S+\.json)\.`)[1]
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var record commission.Report
	if err := json.Unmarshal(data, &record); err != nil {
		t.Fatal(err)
	}
	if record.By != "A. Fitter" || record.Verdict != commission.Passed || !strings.Contains(record.Version, "commit") || len(record.Brakes) != 1 || record.Brakes[0].Cycles < 2 {
		t.Errorf("the record: %+v", record)
	}
	if _, err := os.Stat(strings.TrimSuffix(path, "json") + "html"); err != nil {
		t.Error(err)
	}

	if proof, code = commissioned(wrong); code != 3 || !regexp.MustCompile(`(?s)released +failed.*inverted: it closes when the brake sets`).MatchString(proof.out.String()) {
		t.Errorf("exit code %d", code)
	}
	if code := devices.stop(t); code != 0 {
		t.Errorf("simulate ended with %d", code)
	}
	if _, err := os.Lstat(filepath.Join(dir, "ttyPit")); !os.IsNotExist(err) {
		t.Errorf("the link to the pseudo terminal is left behind: %v", err)
	}
}

func TestCommissionRefuses(t *testing.T) {
	const site = "../../configs/kestrel-quay.yaml"
	for _, c := range []usageCase{
		{"nobody to ask", []string{"commission", site}, 2, "use --auto"},
		{"too few cycles", []string{"commission", site, "--cycles", "1"}, 2, "--cycles is 1"},
		{"back in time", []string{"commission", site, "--auto=-3s"}, 2, "can't be negative"},
		{"no such brake", []string{"commission", site, "--brake", "quay-9"}, 2, "--brake quay-9: there is no brake of that name"},
		{"half a gauge reading", []string{"commission", site, "--gauge", "quay-2/main"}, 2, "BRAKE=SET,RELEASED"},
		{"no depths", []string{"commission", site, "--gauge", "quay-2/main=42.10"}, 2, "two depths"},
		{"nowhere to put it", []string{"commission", site, "--out", "/nowhere/at/all"}, 2, "/nowhere/at/all"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, errs := invoke(t, c.args...)
			if code != c.code || !strings.Contains(errs, c.err) {
				t.Errorf("exit code %d, %q, %q", code, out, errs)
			}
		})
	}
}

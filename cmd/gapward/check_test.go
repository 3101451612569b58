package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The examples are in order, or, being for recordings, lack just the devices.
func TestCheckOfTheExamples(t *testing.T) {
	files, err := filepath.Glob("../../configs/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no examples: %v", err)
	}
	for _, file := range files {
		code, out, errs := invoke(t, "check", file)
		if filepath.Base(file) == "replay.yaml" {
			if code != 2 || !strings.Contains(errs, "has no device") {
				t.Errorf("%s: exit code %d\n%s", file, code, errs)
			}
			continue
		}
		if code != 0 || !strings.HasPrefix(out, file+" is in order") || errs != "" {
			t.Errorf("%s: exit code %d\n%s%s", file, code, out, errs)
		}
	}
}

// The site of the demonstration passes as well, without advice.
func TestCheckOfTheDemonstration(t *testing.T) {
	if code, out, errs := invoke(t, "check", "demo.yaml"); code != 0 {
		t.Errorf("exit code %d\n%s%s", code, out, errs)
	}
}

// Every mistake is told at once, at its place, and nothing else is printed.
func TestCheckTellsAllMistakes(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	const site = `site: Test Quay
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 1.5, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [7, 7], mm: [0, 10], pol: 20ms}
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      drive: {device: oi, discrete: 0, poll: 20}
`
	if err := os.WriteFile(file, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, errs := invoke(t, "check", file)
	if code != 2 || out != "" {
		t.Errorf("exit code %d, standard output %q", code, out)
	}
	for _, want := range []string{":6:48: ", ":8:", ".raw", "did you mean poll?", ":9:11: ", ":12:23: ", "did you mean io?", ":12:46: ", "write 20ms or 20s"} {
		if !strings.Contains(errs, want) {
			t.Errorf("%q isn't said:\n%s", want, errs)
		}
	}
	lines := strings.Split(strings.TrimSpace(errs), "\n")
	for _, line := range lines[:len(lines)-1] {
		if !strings.HasPrefix(line, file+":") {
			t.Errorf("a mistake without its place: %s", line)
		}
	}
	if want := "gapward: " + file + " has 6 mistakes"; lines[len(lines)-1] != want || len(lines) != 7 {
		t.Errorf("%d lines, the last %q, want %q", len(lines), lines[len(lines)-1], want)
	}
}

// A file that works but could be better ends with 3, and the advice is there.
func TestCheckWithAdviceEndsWith3(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	const site = `site: Test Quay
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 250ms}
    signals:
      travel: {device: io, input: 30001, raw: [0, 4095], mm: [0, 10], poll: 100ms}
`
	if err := os.WriteFile(file, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, errs := invoke(t, "check", file)
	if code != 3 || errs != "" {
		t.Errorf("exit code %d, standard error %q", code, errs)
	}
	for _, want := range []string{"is in order", "30001 looks like a number from a data sheet", "there is no drive signal", file + ":9:"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q isn't said:\n%s", want, out)
		}
	}
}

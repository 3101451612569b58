package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// line is what these tests look at in a line of results.
type line struct {
	Type, Brake, Time, Kind, Condition, State string
	Gap                                       *float64 `json:"gap_mm"`
	GapU                                      float64  `json:"gap_u_mm"`
	Release                                   *float64 `json:"release_ms"`
	ReleaseU                                  float64  `json:"release_u_ms"`
	Set                                       *float64 `json:"set_ms"`
	SetU                                      float64  `json:"set_u_ms"`
	Flags                                     []string
	Cycles                                    map[string]float64
}

func parseLines(t *testing.T, out string) (list []line) {
	t.Helper()
	for text := range strings.Lines(out) {
		var l line
		if err := json.Unmarshal([]byte(text), &l); err != nil {
			t.Fatalf("%v in %q", err, text)
		}
		list = append(list, l)
	}
	return list
}

// The recording has been computed, not measured. The main brake's travel is
// 4.20 mm set and 6.40 mm released, with up to 4 µm of even noise in steps of
// 10 mm / 4095; its drive goes on six times. The travel leaves 80 ms after
// drive on and is there after another 100 ms, along half a period of a cosine;
// it leaves again 50 ms after drive off and is back 80 ms later. The third
// time is a jog of 100 ms, the fifth time nothing moves, and two readings of
// the second cycle are missing. The creep brake's travel goes from 1.50 to 2.75 mm three
// times, with no drive signal. Then only ticks follow.
func TestReplayOfSamples(t *testing.T) {
	code, out, errs := invoke(t, "replay", "--config", "testdata/site.yaml", "--samples", "testdata/samples.csv")
	if code != 0 || errs != "" {
		t.Fatalf("exit code %d, standard error %q", code, errs)
	}
	golden(t, "testdata/samples.golden", out)

	// What the recording was made of has to be found again.
	const (
		gapMM     = 2.20
		releaseMS = 80 + 100*0.7951672353008665 // acos(1 - 2*0.9)/π of the ramp
		setMS     = 50 + 80*0.7951672353008665
	)
	full, jogs, creep := 0, 0, 0
	var alarms []string
	for _, l := range parseLines(t, out) {
		switch {
		case l.Type == "alarm":
			alarms = append(alarms, l.Brake+" "+l.Condition+" "+l.State)
		case l.Type != "cycle":
		case l.Brake == "quay-2/creep":
			creep++
			if l.Gap == nil || math.Abs(*l.Gap-1.25) > 0.002 || l.Release != nil || l.Set != nil {
				t.Errorf("creep brake: %+v", l)
			}
		case l.Kind == "jog":
			jogs++
		case len(l.Flags) == 1 && l.Flags[0] == "not-released":
			if l.Release != nil {
				t.Errorf("a brake that never released has a release time: %+v", l)
			}
		default:
			full++
			if l.Gap == nil || math.Abs(*l.Gap-gapMM) > 4*l.GapU || l.GapU > 0.002 {
				t.Errorf("the gap is %g: %+v", gapMM, l)
			}
			if l.Release == nil || math.Abs(*l.Release-releaseMS) > 3*l.ReleaseU || l.ReleaseU > 10 {
				t.Errorf("the release time is %g: %+v", releaseMS, l)
			}
			if l.Set == nil || math.Abs(*l.Set-setMS) > 3*l.SetU || l.SetU > 10 {
				t.Errorf("the set time is %g: %+v", setMS, l)
			}
		}
	}
	if full != 4 || jogs != 1 || creep != 3 {
		t.Errorf("%d full cycles and %d jogs of the main brake, %d of the creep brake; want 4, 1 and 3", full, jogs, creep)
	}
	if !strings.HasPrefix(strings.Join(alarms, "\n"), "quay-2/main not-released raised\nquay-2/main not-released cleared\n") {
		t.Errorf("alarms: %q", alarms)
	}
}

// The cycles are computed: the main brake's gap grows by 4.5 µm a cycle from
// 2.40 mm, with up to 12 µm of even noise, passes 2.8 mm at the 89th and is
// taken back to 1.62 mm at the 106th. Every ninth is a jog. The creep brake
// doesn't wear.
func TestReplayOfCycles(t *testing.T) {
	code, out, errs := invoke(t, "replay", "--config", "testdata/site.yaml", "--cycles", "testdata/cycles.csv")
	if code != 0 || errs != "" {
		t.Fatalf("exit code %d, standard error %q", code, errs)
	}
	golden(t, "testdata/cycles.golden", out)

	var alarms []string
	last := map[string]line{}
	for _, l := range parseLines(t, out) {
		switch l.Type {
		case "cycle":
			t.Errorf("a cycle that was given is told again: %+v", l)
		case "alarm":
			alarms = append(alarms, l.Brake+" "+l.Condition+" "+l.State)
		case "forecast":
			last[l.Brake] = l
		}
	}
	got := strings.Join(alarms, "\n") + "\n"
	for _, want := range []string{"quay-2/main forecast-due raised", "quay-2/main gap-adjust raised", "quay-2/main gap-step raised", "quay-2/main gap-adjust cleared"} {
		_, rest, ok := strings.Cut(got, want+"\n")
		if !ok {
			t.Errorf("%q isn't among the alarms, or too early: %q", want, alarms)
			continue
		}
		if strings.Contains(rest, want) {
			t.Errorf("%q twice: %q", want, alarms)
		}
		got = rest
	}
	if strings.Contains(strings.Join(alarms, "\n"), "creep") {
		t.Errorf("a brake without wear alarms: %q", alarms)
	}
	if _, ok := last["quay-2/creep"].Cycles["p95"]; ok {
		t.Error("a brake without wear will surely be worn some day")
	}
	// 130 cycles from 2.40 mm, adjusted at 105: at the end 1.7325 mm, so that
	// 237 cycles are left, those that wear by 4.5 µm and are 8 of 9 included.
	m := last["quay-2/main"]
	if m.Gap == nil || math.Abs(*m.Gap-1.7325) > 4*m.GapU || !(m.Cycles["p05"] < 237 && m.Cycles["p95"] > 237) {
		t.Errorf("the last forecast of the main brake is %+v, want 1.7325 mm and 237 cycles within", m)
	}
}

func TestReplayIsTheSameEveryTime(t *testing.T) {
	args := []string{"replay", "--config", "testdata/site.yaml", "--samples", "testdata/samples.csv"}
	_, first, _ := invoke(t, args...)
	if _, second, _ := invoke(t, args...); first != second || first == "" {
		t.Error("two replays of one recording differ")
	}
}

// Nothing is guessed: a line that is wrong ends the replay, at its place.
func TestReplayOfAWrongLineEndsWith2(t *testing.T) {
	const samples, cycles = "time,brake,signal,value\n", "time,brake,gap_mm,gap_u_mm,release_ms,set_ms\n"
	good := samples + "2026-03-02T06:00:00Z,quay-2/main,travel,4.2\n"
	for name, c := range map[string]struct {
		flag, text string
		line       int
		want       string
	}{
		"unknown brake":         {"samples", good + "2026-03-02T06:00:01Z,quay-2/mian,travel,4.2\n", 3, "quay-2/mian"},
		"unknown signal":        {"samples", good + "2026-03-02T06:00:01Z,quay-2/main,trval,4.2\n", 3, "trval"},
		"not a number":          {"samples", good + "2026-03-02T06:00:01Z,quay-2/main,travel,4;2\n", 3, "4;2"},
		"NaN":                   {"samples", good + "2026-03-02T06:00:01Z,quay-2/main,travel,NaN\n", 3, "NaN"},
		"backwards":             {"samples", good + "2026-03-02T05:59:59Z,quay-2/main,travel,4.2\n", 3, "2026-03-02T05:59:59Z"},
		"not a time":            {"samples", samples + "yesterday,quay-2/main,travel,4.2\n", 2, "yesterday"},
		"local time":            {"samples", samples + "2026-03-02T06:00:00+01:00,quay-2/main,travel,4.2\n", 2, "+01:00"},
		"too few fields":        {"samples", good + "2026-03-02T06:00:01Z,quay-2/main\n", 3, "fields"},
		"half a line":           {"samples", good + "2026-03-02T06:0", 3, ""},
		"the other form":        {"samples", cycles, 1, "time,brake,signal,value"},
		"empty file":            {"samples", "", 1, "time,brake,signal,value"},
		"a drive of 2":          {"samples", samples + "2026-03-02T06:00:00Z,quay-2/main,drive,2\n", 2, "2"},
		"a negative u":          {"cycles", cycles + "2026-03-02T06:00:00Z,quay-2/main,2.1,-0.1,,\n", 2, "-0.1"},
		"a cycle too few":       {"cycles", cycles + "2026-03-02T06:00:00Z,quay-2/main,2.1\n", 2, "fields"},
		"the samples' form":     {"cycles", samples, 1, "time,brake,gap_mm,gap_u_mm,release_ms,set_ms"},
		"a cycle out of order":  {"cycles", cycles + "2026-03-02T06:00:00Z,quay-2/main,2.1,0.01,,\n2026-03-01T06:00:00Z,quay-2/main,2.1,0.01,,\n", 3, "2026-03-01T06:00:00Z"},
		"a byte that isn't any": {"cycles", cycles + "2026-03-02T06:00:00Z,quay-2/main,\x00,0.01,,\n", 2, ""},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "recording.csv")
			if err := os.WriteFile(file, []byte(c.text), 0o644); err != nil {
				t.Fatal(err)
			}
			code, out, errs := invoke(t, "replay", "--config", "testdata/site.yaml", "--"+c.flag, file)
			// What came before the line has been told; nothing has after it.
			if before := strings.Count(c.text, "\n2"); code != 2 || before == 0 && out != "" || strings.Count(out, "\n") > before {
				t.Errorf("exit code %d, standard output %q", code, out)
			}
			if where := fmt.Sprintf("gapward: %s:%d: ", file, c.line); !strings.HasPrefix(errs, where) || !strings.Contains(errs, c.want) || strings.Count(errs, "\n") != 1 {
				t.Errorf("want one line with %s and %q, got %s", where, c.want, errs)
			}
		})
	}
}

func TestReplayOfWhatIsNotThereEndsWith2(t *testing.T) {
	for _, c := range [][]string{
		{"--config", "testdata/site.yaml", "--samples", "testdata/nowhere.csv"},
		{"--config", "testdata/site.yaml", "--cycles", "testdata/nowhere.csv"},
		{"--config", "testdata/nowhere.csv", "--cycles", "testdata/cycles.csv"},
	} {
		if code, out, errs := invoke(t, append([]string{"replay"}, c...)...); code != 2 || out != "" || !strings.Contains(errs, "testdata/nowhere.csv") {
			t.Errorf("%v: exit code %d, %q, %q", c, code, out, errs)
		}
	}
}

// torn fails as a disk does that is full, or a pipe that nobody reads.
type torn struct{ err error }

func (w torn) Write([]byte) (int, error) { return 0, w.err }

func TestReplayThatCannotBeWrittenFails(t *testing.T) {
	for _, cause := range []error{syscall.EPIPE, syscall.ENOSPC} {
		var errs bytes.Buffer
		code := run(t.Context(), []string{"replay", "--config", "testdata/site.yaml", "--samples", "testdata/samples.csv"},
			streams{out: torn{cause}, err: &errs})
		if code != 1 || !strings.Contains(errs.String(), "writing the results: "+cause.Error()) || strings.Count(errs.String(), "\n") != 1 {
			t.Errorf("%v: exit code %d, %q", cause, code, errs.String())
		}
	}
}

// The program itself ends quietly when nobody reads on, as in `replay … | head`.
func TestReplayIntoAClosedPipeEnds(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	defer w.Close()
	var errs bytes.Buffer
	cmd := exec.CommandContext(t.Context(), build(t), "replay", "--config", "testdata/site.yaml", "--samples", "testdata/samples.csv")
	cmd.Stdout, cmd.Stderr = w, &errs
	var exit *exec.ExitError
	if err := cmd.Run(); !errors.As(err, &exit) || strings.Contains(errs.String(), "panic") || errs.Len() > 200 {
		t.Errorf("it ended with %v and wrote %q", err, errs.String())
	}
}

package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// screen is what a command has written so far; it may be read while the
// command goes on.
type screen struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (s *screen) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.Write(p)
}

func (s *screen) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.String()
}

// find waits until something matches and returns its submatches.
func (s *screen) find(t *testing.T, within time.Duration, pattern string) []string {
	t.Helper()
	re := regexp.MustCompile(pattern)
	var found []string
	eventually(t, within, "output like "+pattern, func() bool {
		found = re.FindStringSubmatch(s.String())
		return found != nil
	})
	return found
}

// eventually waits until ok, and fails the test when that takes too long.
func eventually(t *testing.T, within time.Duration, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(within); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within %v: %s", within, what)
		}
	}
}

// invoke runs a command to its end.
func invoke(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), args, streams{out: &o, err: &e})
	return code, o.String(), e.String()
}

// running is a command that goes on until it is stopped.
type running struct {
	out, err *screen
	cancel   context.CancelFunc
	ended    chan int
}

func begin(t *testing.T, args ...string) *running {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r := &running{out: &screen{}, err: &screen{}, cancel: cancel, ended: make(chan int, 1)}
	go func() { r.ended <- run(ctx, args, streams{out: r.out, err: r.err}) }()
	t.Cleanup(func() {
		cancel()
		if t.Failed() {
			t.Logf("%s wrote:\n%s%s", strings.Join(args, " "), r.out, r.err)
		}
	})
	return r
}

// stop does what a signal does, and returns the exit code.
func (r *running) stop(t *testing.T) int {
	t.Helper()
	r.cancel()
	return r.wait(t, 30*time.Second)
}

func (r *running) wait(t *testing.T, within time.Duration) int {
	t.Helper()
	select {
	case code := <-r.ended:
		return code
	case <-time.After(within):
		t.Fatalf("it has not ended after %v", within)
		return -1
	}
}

// golden compares a whole output with a file. On a mismatch what came is
// written beside it, to be looked at and, if it is right, to take its place.
func golden(t *testing.T, path, got string) {
	t.Helper()
	want, err := os.ReadFile(path)
	if err == nil && string(want) == got {
		return
	}
	beside := strings.TrimSuffix(path, ".golden") + ".got"
	if e := os.WriteFile(beside, []byte(got), 0o644); e != nil {
		t.Error(e)
	}
	if err != nil {
		t.Fatalf("%v; the output is in %s", err, beside)
	}
	diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n"))
	t.Errorf("the output isn't that of %s; it is in %s (-want +got):\n%s", path, beside, diff)
}

// A command line and how it must end.
type usageCase struct {
	name string
	args []string
	code int
	err  string // in what is written to standard error
}

func TestWrongUsageEndsWith2(t *testing.T) {
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "gapward.db"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	const site = "testdata/site.yaml"
	for _, c := range []usageCase{
		{"unknown command", []string{"frobnicate"}, 2, "unexpected argument frobnicate"},
		{"unknown flag", []string{"demo", "--fast"}, 2, "unknown flag --fast"},
		{"flag of another command", []string{"check", "--listen", "127.0.0.1:0", "x.yaml"}, 2, "--listen"},
		{"too much", []string{"check", "a.yaml", "b.yaml"}, 2, "unexpected argument b.yaml"},
		{"too little", []string{"check"}, 2, "<site>"},
		{"run without a site file", []string{"run"}, 2, "--config=SITE.yaml"},
		{"replay without a recording", []string{"replay", "--config", site}, 2, "--samples=F.csv or --cycles=F.csv"},
		{"replay with two recordings", []string{"replay", "--config", site, "--samples", "a", "--cycles", "b"}, 2, "--samples and --cycles"},
		{"no such site file", []string{"run", "--config", "nowhere.yaml"}, 2, "nowhere.yaml: no such file"},
		{"a folder for a site file", []string{"check", "testdata"}, 2, "testdata"},
		{"page for everybody", []string{"demo", "--listen", "0.0.0.0:1"}, 2, "--listen 0.0.0.0:1 "},
		{"no address", []string{"demo", "--listen", "8480"}, 2, "--listen "},
		{"data already there", []string{"demo", "--listen", "127.0.0.1:0", "--data", full}, 2, "name a new directory"},
		{"wear backwards", []string{"simulate", "../../configs/kestrel-quay.yaml", "--wear=-1"}, 2, "--wear is -1"},
		{"no such scenario", []string{"simulate", "../../configs/kestrel-quay.yaml", "--scenario", "nowhere.yaml"}, 2, "nowhere.yaml"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, errs := invoke(t, c.args...)
			if code != c.code {
				t.Errorf("exit code %d, want %d", code, c.code)
			}
			if !strings.Contains(errs, c.err) || !strings.HasPrefix(lastLine(errs), "gapward: ") && !strings.HasPrefix(lastLine(errs), "See gapward") {
				t.Errorf("standard error doesn't say %q:\n%s", c.err, errs)
			}
			if out != "" {
				t.Errorf("standard output is not empty:\n%s", out)
			}
		})
	}
}

func lastLine(s string) string {
	lines := strings.Split(strings.TrimRight(s, "\n"), "\n")
	return lines[len(lines)-1]
}

// listed are the commands that a help names, those below them included.
func listed(t *testing.T, above ...string) (list [][]string) {
	t.Helper()
	code, help, errs := invoke(t, append(above, "--help")...)
	if code != 0 || errs != "" {
		t.Fatalf("%v --help: exit code %d, and on standard error %q", above, code, errs)
	}
	_, commands, _ := strings.Cut(help, "\nCommands:\n")
	for _, m := range regexp.MustCompile(`(?m)^  ([a-z][a-z -]*[a-z])  +\S`).FindAllStringSubmatch(commands, -1) {
		command := strings.Fields(m[1])
		list = append(list, command)
		list = append(list, listed(t, command...)...)
	}
	return list
}

func TestHelpHasOneExampleForEachCommand(t *testing.T) {
	promised := map[string]bool{"demo": true, "run": true, "check": true, "simulate": true, "replay": true, "version": true}
	for _, command := range listed(t) {
		name := strings.Join(command, " ")
		delete(promised, name)
		_, out, _ := invoke(t, append(command, "--help")...)
		_, example, _ := strings.Cut(out, "Example:\n\n")
		line, _, _ := strings.Cut(example, "\n")
		if n := strings.Count(out, "Example:"); n != 1 || !strings.HasPrefix(line, "    gapward "+name) {
			t.Errorf("%s --help has %d examples, the first %q:\n%s", name, n, line, out)
		}
		// What the example names has to be there, seen from the repository's root.
		for _, word := range strings.Fields(line) {
			if strings.HasPrefix(word, "configs/") {
				if _, err := os.Stat(filepath.Join("../..", word)); err != nil {
					t.Errorf("the example of %s: %v", name, err)
				}
			}
		}
	}
	if len(promised) > 0 {
		t.Errorf("gapward --help doesn't list %v", promised)
	}
}

func TestNoArgumentsShowTheHelp(t *testing.T) {
	code, out, errs := invoke(t)
	_, help, _ := invoke(t, "--help")
	if code != 0 || out != help || errs != "" || !strings.Contains(out, "not a safety function") {
		t.Errorf("exit code %d, standard error %q, and:\n%s", code, errs, out)
	}
}

func TestVersion(t *testing.T) {
	code, out, errs := invoke(t, "version")
	if code != 0 || errs != "" || !regexp.MustCompile(`^gapward \S+, commit .+, go1\.\d+\S*\n$`).MatchString(out) {
		t.Errorf("exit code %d, %q, %q", code, out, errs)
	}
}

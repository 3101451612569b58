package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// build makes the program as it is released, and returns where it is.
func build(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "gapward")
	cmd := exec.Command("go", "build", "-o", path, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("building gapward: %v\n%s", err, out)
	}
	return path
}

// process is the program running by itself.
type process struct {
	cmd      *exec.Cmd
	out, err *screen
	ended    chan error
}

func startProcess(t *testing.T, env []string, program string, args ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(program, args...), out: &screen{}, err: &screen{}, ended: make(chan error, 1)}
	p.cmd.Stdout, p.cmd.Stderr, p.cmd.Env = p.out, p.err, append(os.Environ(), env...)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { p.ended <- p.cmd.Wait() }()
	t.Cleanup(func() {
		if p.cmd.Process.Kill() == nil { // it is still there
			<-p.ended
		}
		if t.Failed() {
			t.Logf("%s wrote:\n%s%s", strings.Join(args, " "), p.out, p.err)
		}
	})
	return p
}

// signal sends a signal and returns how the process has ended.
func (p *process) signal(t *testing.T, s syscall.Signal) syscall.WaitStatus {
	t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil {
		t.Fatalf("it can't be sent %v: %v", s, err)
	}
	select {
	case <-p.ended:
	case <-time.After(30 * time.Second):
		t.Fatalf("30 s after %v it still runs", s)
	}
	return p.cmd.ProcessState.Sys().(syscall.WaitStatus)
}

func TestTheProgramByItself(t *testing.T) {
	t.Parallel()
	program := build(t)

	t.Run("version", func(t *testing.T) {
		out, err := exec.Command(program, "version").CombinedOutput()
		if err != nil || !strings.HasPrefix(string(out), "gapward ") {
			t.Errorf("%v, %q", err, out)
		}
	})
	t.Run("exit codes", func(t *testing.T) {
		for want, args := range map[int][]string{
			0: {"check", "../../configs/kestrel-quay.yaml"},
			2: {"check", "testdata/cycles.csv"},
		} {
			cmd := exec.Command(program, args...)
			if err := cmd.Run(); cmd.ProcessState.ExitCode() != want {
				t.Errorf("%v: %v, want exit code %d", args, err, want)
			}
		}
	})
	t.Run("replay", func(t *testing.T) {
		var out, errs bytes.Buffer
		cmd := exec.Command(program, "replay", "--config", "testdata/site.yaml", "--samples", "testdata/samples.csv")
		cmd.Stdout, cmd.Stderr = &out, &errs
		if err := cmd.Run(); err != nil || errs.Len() > 0 {
			t.Fatalf("%v, %q", err, errs.String())
		}
		golden(t, "testdata/samples.golden", out.String())
	})
	// Without --data nothing is left behind, whenever it is interrupted.
	t.Run("demo interrupted", func(t *testing.T) {
		tmp := t.TempDir()
		p := startProcess(t, []string{"TMPDIR=" + tmp}, program, "demo", "--listen", "127.0.0.1:0")
		p.out.find(t, time.Minute, `Ready after`)
		if files, _ := filepath.Glob(filepath.Join(tmp, "gapward-demo-*", "*")); len(files) == 0 {
			t.Error("it keeps no data while it runs")
		}
		if status := p.signal(t, syscall.SIGINT); status.ExitStatus() != 0 {
			t.Errorf("it ended with %v (%d)", p.cmd.ProcessState, status)
		}
		nothingIn(t, tmp)
	})
	t.Run("demo interrupted while it makes its history", func(t *testing.T) {
		tmp := t.TempDir()
		p := startProcess(t, []string{"TMPDIR=" + tmp}, program, "demo", "--listen", "127.0.0.1:0")
		eventually(t, 10*time.Second, "data", func() bool {
			files, _ := filepath.Glob(filepath.Join(tmp, "gapward-demo-*", "*"))
			return len(files) > 0
		})
		if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 1 || !strings.Contains(p.err.String(), "interrupted") {
			t.Errorf("it ended with %v and wrote %q", p.cmd.ProcessState, p.err)
		}
		nothingIn(t, tmp)
	})
}

func nothingIn(t *testing.T, dir string) {
	t.Helper()
	if files, err := os.ReadDir(dir); err != nil || len(files) > 0 {
		t.Errorf("left behind: %v %v", files, err)
	}
}

// Progress is for eyes: it shows on a terminal and nowhere else.
func TestProgressShowsOnATerminalOnly(t *testing.T) {
	script, err := exec.LookPath("script")
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("GAPWARD_REAL=1 wants a terminal: %v", err)
		}
		t.Skip("there is no script on this machine to make a terminal with")
	}
	program := build(t)
	command := program + " replay --config testdata/site.yaml --samples testdata/samples.csv"
	out, err := exec.Command(script, "-qec", command, "/dev/null").Output()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	// The line is cleared before the results, so that they stand alone.
	if !regexp.MustCompile(`^(\rreplaying +\d+ %)+\r +\r\{`).Match(out) {
		t.Errorf("no progress on a terminal, or none that goes away: %.200q", out)
	}
	cmd := exec.Command("/bin/sh", "-c", command+" 2>&1 >/dev/null")
	if out, err := cmd.Output(); err != nil || len(out) > 0 {
		t.Errorf("without a terminal: %v, %q", err, out)
	}
}

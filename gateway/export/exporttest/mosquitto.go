package exporttest

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Mosquitto is a real broker that lets everybody in, holds nothing back, and
// keeps what it has acknowledged for its subscribers when it is told to end.
// Killed outright it may forget that, which no sender can make good.
type Mosquitto struct {
	Address         string // host:port
	program, config string
	cmd             *exec.Cmd
}

// NewMosquitto prepares one, to be started.
func NewMosquitto(t *testing.T) *Mosquitto {
	t.Helper()
	m := &Mosquitto{program: Program(t, "mosquitto", "/usr/sbin/mosquitto"), Address: FreeAddresses(t, 1)[0]}
	dir := t.TempDir()
	m.config = filepath.Join(dir, "m.conf")
	_, port, _ := strings.Cut(m.Address, ":")
	text := "allow_anonymous true\nmax_inflight_messages 0\nmax_queued_messages 0\npersistence true\npersistence_location " + dir + "/\nlistener " + port + " 127.0.0.1\n"
	if os.Getuid() == 0 {
		text = "user root\n" + text // else it gives its rights up and can't write here
	}
	if err := os.WriteFile(m.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.End(syscall.SIGKILL) })
	return m
}

// Start starts it, for the first time or again.
func (m *Mosquitto) Start(t *testing.T) {
	t.Helper()
	m.cmd = exec.Command(m.program, "-c", m.config)
	m.cmd.Stdout, m.cmd.Stderr = t.Output(), t.Output()
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "mosquitto answers", func() bool {
		c, err := net.DialTimeout("tcp", m.Address, time.Second)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	})
}

// End ends it by a signal, where it runs.
func (m *Mosquitto) End(by syscall.Signal) {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Signal(by)
	_ = m.cmd.Wait() // it says how it was ended
	m.cmd = nil
}

// Signal sends it a signal, where it runs: one that stops it, or has it go on.
func (m *Mosquitto) Signal(s os.Signal) {
	if m.cmd != nil {
		_ = m.cmd.Process.Signal(s)
	}
}

package gateway

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"
)

// listenAsManager is a service manager's end of the socket.
func listenAsManager(t *testing.T, name string) *net.UnixConn {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("GAPWARD_REAL=1, but there are no datagrams between processes here: %v", err)
		}
		t.Skipf("no datagrams between processes here: %v", err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// manager hears what is told to a service manager.
func manager(t *testing.T, name string) (socket string, heard func() string) {
	t.Helper()
	conn := listenAsManager(t, name)
	return name, func() string {
		t.Helper()
		buf := make([]byte, 256)
		if err := conn.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := conn.Read(buf)
		if err != nil {
			t.Fatalf("the service manager heard nothing: %v", err)
		}
		return string(buf[:n])
	}
}

func environment(of map[string]string) func(string) string {
	return func(name string) string { return of[name] }
}

func TestServiceManagerHearsOfLifeAndOfNothingElse(t *testing.T) {
	for name, socket := range map[string]string{"file": filepath.Join(t.TempDir(), "s"), "abstract": "@gapward-test-" + t.Name()} {
		t.Run(name, func(t *testing.T) {
			socket, heard := manager(t, socket)
			s, err := newSupervisor(environment(map[string]string{"NOTIFY_SOCKET": socket, "WATCHDOG_USEC": "60000", "WATCHDOG_PID": "77"}), 77)
			if err != nil {
				t.Fatal(err)
			}
			if s.every != 20*time.Millisecond {
				t.Errorf("a sign of life every %v, want a third of 60 ms", s.every)
			}
			var asked, dead atomic.Int64
			ctx, stop := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() {
				done <- s.watch(ctx, func() error {
					asked.Add(1)
					if dead.Load() != 0 {
						return errors.New("the pipeline has not moved")
					}
					return nil
				}, slog.New(slog.DiscardHandler))
			}()
			for _, want := range []string{"READY=1", "WATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1"} {
				if got := heard(); got != want {
					t.Fatalf("heard %q, want %q", got, want)
				}
			}
			// Dead: asked on and on, and never another word but the last.
			dead.Store(1)
			for before := asked.Load(); asked.Load() < before+5; {
				time.Sleep(time.Millisecond)
			}
			stop()
			if err := <-done; err != nil {
				t.Error(err)
			}
			words := []string{heard()}
			for words[len(words)-1] != "STOPPING=1" {
				words = append(words, heard())
			}
			if len(words) > 2 { // one may have been on its way
				t.Errorf("while dead it said %q", words)
			}
		})
	}
}

func TestWithoutServiceManagerNothingIsSaid(t *testing.T) {
	s, err := newSupervisor(environment(nil), 1)
	if s != nil || err != nil {
		t.Errorf("got %v, %v", s, err)
	}
	if _, err := newSupervisor(environment(map[string]string{"NOTIFY_SOCKET": filepath.Join(t.TempDir(), "nobody")}), 1); err == nil {
		t.Error("a socket that isn't there is no error")
	}
}

func TestWatchdogOfAnotherProcessIsNotOurs(t *testing.T) {
	socket, _ := manager(t, filepath.Join(t.TempDir(), "s"))
	s, err := newSupervisor(environment(map[string]string{"NOTIFY_SOCKET": socket, "WATCHDOG_USEC": "60000", "WATCHDOG_PID": "78"}), 77)
	if err != nil {
		t.Fatal(err)
	}
	defer s.conn.Close()
	if s.every != 0 {
		t.Errorf("it wants signs of life every %v", s.every)
	}
}

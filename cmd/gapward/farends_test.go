package main

import (
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"gapward/gateway/export/exporttest"
)

func localAddress(t *testing.T) string { return exporttest.FreeAddresses(t, 1)[0] }

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// realPrometheus scrapes a target twice a second.
func realPrometheus(t *testing.T, target string) (address string) {
	t.Helper()
	program, config := exporttest.Program(t, "prometheus"), filepath.Join(t.TempDir(), "prometheus.yaml")
	address = localAddress(t)
	write(t, config, fmt.Sprintf("scrape_configs:\n- job_name: gapward\n  scrape_interval: 500ms\n  static_configs: [{targets: [%q]}]\n", target))
	startProcess(t, nil, program, "--config.file="+config, "--storage.tsdb.path="+t.TempDir(), "--web.listen-address="+address, "--log.level=warn")
	return address
}

// cable is what a far end is reached through. Pulled out, it breaks all
// connections and takes no new one.
type cable struct {
	listener net.Listener
	to       string

	mu    sync.Mutex
	out   bool
	conns map[net.Conn]bool
}

func newCable(t *testing.T, to string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{listener: l, to: to, conns: map[net.Conn]bool{}}
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			go c.join(near)
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		c.pull(true)
	})
	return c
}

func (c *cable) address() string { return c.listener.Addr().String() }

// join carries one connection until an end of it, or the cable, goes.
func (c *cable) join(near net.Conn) {
	defer func() { _ = near.Close() }()
	far, err := net.DialTimeout("tcp", c.to, time.Second)
	if err != nil {
		return
	}
	defer func() { _ = far.Close() }()
	c.mu.Lock()
	if c.out {
		c.mu.Unlock()
		return
	}
	c.conns[near], c.conns[far] = true, true
	c.mu.Unlock()
	done := make(chan struct{}, 2)
	for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
		go func() {
			_, _ = io.Copy(way[0], way[1])
			done <- struct{}{}
		}()
	}
	<-done
	c.mu.Lock()
	delete(c.conns, near)
	delete(c.conns, far)
	c.mu.Unlock()
}

// pull takes the cable out, or puts it in again.
func (c *cable) pull(out bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out = out
	for conn := range c.conns {
		if out {
			_ = conn.Close()
		}
	}
}

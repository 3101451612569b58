package export

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// relay stands between a client and a broker, to be stalled or cut.
type relay struct {
	net.Listener
	mu      sync.Mutex
	conns   []net.Conn
	stalled bool
}

func startRelay(t *testing.T, to string) *relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{Listener: l}
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				_ = near.Close()
				continue
			}
			r.mu.Lock()
			r.conns = append(r.conns, near, far)
			r.mu.Unlock()
			go r.pass(far, near)
			go r.pass(near, far)
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		r.cut()
	})
	return r
}

func (r *relay) pass(to, from net.Conn) {
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		if err != nil {
			_ = to.Close()
			return
		}
		r.mu.Lock()
		stalled := r.stalled
		r.mu.Unlock()
		if stalled {
			_, _ = io.Copy(io.Discard, from)
			return
		}
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}

// stall swallows all that comes from now on, on the connections there are.
func (r *relay) stall(yes bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stalled = yes
}

func (r *relay) cut() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.conns {
		_ = c.Close()
	}
	r.conns = nil
}

// TestSparkplugLosesItsConnection has messages vanish on their way: they don't
// count as delivered. The broker tells of the death with the number of the
// birth, and the next birth has the next, 0 after 255.
func TestSparkplugLosesItsConnection(t *testing.T) { overBrokers(t, sparkplugLosesItsConnection) }

func sparkplugLosesItsConnection(t *testing.T, address string) {
	h := listenAsHost(t, address)
	r := startRelay(t, address)
	db := openStore(t)
	if err := db.SetCursor(t.Context(), birthNumber, 254); err != nil {
		t.Fatal(err)
	}
	x, _ := startSparkplug(t, r.Addr().String(), db, "")
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the birth", func() bool { return count(h.messages(t), "DBIRTH") == 2 })
	r.stall(true)
	commit(t, db, batch(0, 10))
	short, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if err := Flush(short, db, x, quiet(), ignore); err == nil {
		t.Fatal("messages that no broker has read count as delivered")
	}
	if id, err := db.Cursor(t.Context(), "sparkplug/cycles"); err != nil || id != 0 {
		t.Errorf("the cursor is at %d (%v)", id, err)
	}
	r.stall(false)
	r.cut()
	eventually(t, "the last will", func() bool { return count(h.messages(t), "NDEATH") == 1 })
	eventually(t, "the rows are delivered", func() bool { return Flush(t.Context(), db, x, testLog(t), ignore) == nil })
	eventually(t, "all cycles", func() bool { return count(h.messages(t), "DDATA") >= 10+2 })
	all := h.messages(t)
	follow(t, all)
	var numbers []any
	for _, m := range all {
		if m.kind == "NBIRTH" || m.kind == "NDEATH" {
			numbers = append(numbers, m.named(t, "bdSeq").value)
		}
	}
	if fmt.Sprint(numbers) != "[255 255 0]" {
		t.Errorf("birth, death and birth have the numbers %v", numbers)
	}
	h.readByOthers(t)
}

package field

import (
	"log/slog"
	"net"
	"sync"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// Listener is where a broker takes connections over TCP; it ends them itself when
// it is closed. With the one that comes with the broker an end may never come:
// the broker goes through its clients under a lock that it takes a second time on
// the way, which waits for ever when a client leaves in between; a client that it
// has let in but not yet listed is waited for as long as it stays; and a
// connection taken at the end is left without a word.
type Listener struct {
	addr   string
	listen net.Listener
	log    *slog.Logger

	mu     sync.Mutex
	conns  map[net.Conn]struct{} // nil once closed
	served sync.WaitGroup        // of conns
}

// NewListener makes a listener that a broker is still to open; port 0 means any
// that is free.
func NewListener(addr string) *Listener {
	return &Listener{addr: addr, conns: map[net.Conn]struct{}{}}
}

// Init opens the address.
func (l *Listener) Init(log *slog.Logger) (err error) {
	l.log = log
	l.listen, err = net.Listen("tcp", l.addr)
	return err
}

// ID names the listener; a broker has but one.
func (l *Listener) ID() string { return l.Protocol() }

// Protocol is that of the transport.
func (l *Listener) Protocol() string { return "tcp" }

// Address is the host and port, with the port's number once it is open.
func (l *Listener) Address() string {
	if l.listen == nil {
		return l.addr
	}
	return l.listen.Addr().String()
}

// Serve gives connections to the broker until Close is called.
func (l *Listener) Serve(establish listeners.EstablishFn) {
	for {
		conn, err := l.listen.Accept()
		if err != nil {
			return
		}
		if !l.enter(conn) {
			conn.Close()
			return
		}
		go func() {
			defer l.leave(conn)
			if err := establish(l.ID(), conn); err != nil {
				l.log.Debug("a client's connection ended", "error", err)
			}
		}()
	}
}

// Close takes no more connections, ends those there are and waits until the
// broker is done with them.
func (l *Listener) Close(listeners.CloseFn) {
	if l.listen != nil {
		l.listen.Close()
	}
	l.endAll()
	l.served.Wait()
}

func (l *Listener) endAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for conn := range l.conns {
		conn.Close()
	}
	l.conns = nil
}

func (l *Listener) enter(conn net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conns == nil {
		return false
	}
	l.conns[conn] = struct{}{}
	l.served.Add(1)
	return true
}

func (l *Listener) leave(conn net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.conns, conn)
	conn.Close()
	l.served.Done()
}

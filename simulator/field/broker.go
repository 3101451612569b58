package field

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Broker is an MQTT broker within the process, for demonstrations and tests.
// It lets everybody in and is therefore to be had on loopback only; what it
// retains is gone when it closes.
type Broker struct {
	addr  string
	close func() error
}

// StartBroker starts a broker on a loopback address; port 0 means any that is
// free. The log may be nil.
func StartBroker(addr string, log *slog.Logger) (*Broker, error) {
	tcp, err := net.ResolveTCPAddr("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("the broker's address: %w", err)
	}
	if !tcp.IP.IsLoopback() {
		return nil, fmt.Errorf("the broker's address %s is not a loopback one; it has no access control and must not be reachable from outside", addr)
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	s := mochi.New(&mochi.Options{Logger: slog.New(fromWarn{log.Handler()})})
	if err := s.AddHook(new(openDoor), nil); err != nil {
		return nil, fmt.Errorf("setting up the broker: %w", err)
	}
	l := NewListener(tcp.String())
	if err := s.AddListener(l); err != nil {
		return nil, fmt.Errorf("starting the broker on %s: %w", tcp, err)
	}
	if err := s.Serve(); err != nil {
		s.Close()
		return nil, fmt.Errorf("starting the broker on %s: %w", tcp, err)
	}
	return &Broker{l.Address(), sync.OnceValue(s.Close)}, nil
}

// Addr is the broker's host and port.
func (b *Broker) Addr() string { return b.addr }

// Close disconnects everybody and frees the address. A second call does nothing.
func (b *Broker) Close() error {
	if err := b.close(); err != nil {
		return fmt.Errorf("closing the broker on %s: %w", b.addr, err)
	}
	return nil
}

// openDoor lets everybody do everything.
type openDoor struct{ mochi.HookBase }

// ID names the hook.
func (*openDoor) ID() string { return "open-door" }

// Provides says that the hook answers for who may connect and what they may do.
func (*openDoor) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

// OnConnectAuthenticate lets the client in.
func (*openDoor) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

// OnACLCheck lets the client read or write the topic.
func (*openDoor) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// fromWarn drops what the broker says about its normal life.
type fromWarn struct{ slog.Handler }

func (h fromWarn) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && h.Handler.Enabled(ctx, l)
}

func (h fromWarn) WithAttrs(a []slog.Attr) slog.Handler { return fromWarn{h.Handler.WithAttrs(a)} }
func (h fromWarn) WithGroup(name string) slog.Handler   { return fromWarn{h.Handler.WithGroup(name)} }

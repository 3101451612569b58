package field

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"time"
)

// table is one of the four tables of the Modbus data model.
type table uint8

const (
	coils table = iota
	discreteInputs
	holdingRegisters
	inputRegisters
)

func (t table) String() string {
	return [...]string{"coil", "discrete input", "holding register", "input register"}[t]
}

// memory is what a Modbus unit shows. ok is false for an address that it
// doesn't have.
type memory interface {
	bit(t table, address uint16) (on, ok bool)
	register(t table, address uint16) (value uint16, ok bool)
}

// The exceptions that this server answers with (Modbus Application Protocol
// V1.1b3, section 7).
const (
	illegalFunction = 0x01
	illegalAddress  = 0x02
	illegalValue    = 0x03
	targetSilent    = 0x0B // there is no such unit behind this address
)

// Limits of one request (sections 6.1 to 6.4).
const (
	maxBits      = 2000
	maxRegisters = 125
)

// answer appends the reply to a request, both without the MBAP header. It
// reads only: every other function is refused. The order of the checks is the
// specification's: function, quantity, address.
func answer(dst, request []byte, m memory) []byte {
	function := request[0]
	refuse := func(exception byte) []byte { return append(dst, function|0x80, exception) }
	var t table
	most := maxBits
	switch function {
	case 1:
		t = coils
	case 2:
		t = discreteInputs
	case 3:
		t, most = holdingRegisters, maxRegisters
	case 4:
		t, most = inputRegisters, maxRegisters
	default:
		return refuse(illegalFunction)
	}
	if len(request) != 5 {
		return refuse(illegalValue)
	}
	first, quantity := int(binary.BigEndian.Uint16(request[1:])), int(binary.BigEndian.Uint16(request[3:]))
	if quantity < 1 || quantity > most {
		return refuse(illegalValue)
	}
	if first+quantity > 1<<16 {
		return refuse(illegalAddress)
	}
	start := len(dst)
	if most == maxRegisters {
		dst = append(dst, function, byte(2*quantity))
		for i := range quantity {
			v, ok := m.register(t, uint16(first+i))
			if !ok {
				dst = dst[:start]
				return refuse(illegalAddress)
			}
			dst = binary.BigEndian.AppendUint16(dst, v)
		}
		return dst
	}
	dst = append(dst, function, byte((quantity+7)/8))
	for i := range quantity {
		on, ok := m.bit(t, uint16(first+i))
		if !ok {
			dst = dst[:start]
			return refuse(illegalAddress)
		}
		if i%8 == 0 {
			dst = append(dst, 0)
		}
		if on {
			dst[len(dst)-1] |= 1 << (i % 8)
		}
	}
	return dst
}

// conduct is how a unit treats a request: not at all, or how much later than
// it could.
type conduct struct {
	silent bool
	slow   time.Duration
}

// modbusServer is a Modbus TCP server that shows one or more units at an
// address.
type modbusServer struct {
	listener net.Listener
	// unit gives what a unit shows now; ok is false where there's no such unit.
	unit func(unit uint8) (m memory, ok bool)
	// conduct says how the unit behaves now.
	conduct func(unit uint8) conduct
	log     *slog.Logger
}

// mbapLen is the length of the header: transaction, protocol, length, unit.
const mbapLen = 7

// maxPDU is the longest request, section 4.1.
const maxPDU = 253

// writeWithin bounds how long a client that doesn't read can hold a
// connection.
const writeWithin = 5 * time.Second

// run serves until ctx ends, and then until every connection is closed.
func (s *modbusServer) run(ctx context.Context) error {
	return acceptAll(ctx, s.listener, s.log, s.serve)
}

// acceptAll serves each client of a listener until ctx ends, and then until
// every connection is closed.
func acceptAll(ctx context.Context, listener net.Listener, log *slog.Logger, serve func(context.Context, net.Conn) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { listener.Close() })
	defer stop()
	var clients sync.WaitGroup
	defer clients.Wait()
	defer cancel()
	for {
		conn, err := listener.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			if errors.Is(err, net.ErrClosed) {
				return fmt.Errorf("accepting Modbus clients on %s: %w", listener.Addr(), err)
			}
			log.Warn("a Modbus client could not be accepted", "address", listener.Addr().String(), "err", err)
			if !wait(ctx, 100*time.Millisecond) {
				return nil
			}
			continue
		}
		clients.Go(func() {
			defer conn.Close()
			defer context.AfterFunc(ctx, func() { conn.Close() })()
			if err := serve(ctx, conn); err != nil && ctx.Err() == nil {
				log.Debug("a Modbus client has gone", "client", conn.RemoteAddr().String(), "err", err)
			}
		})
	}
}

// serve answers one client's requests in turn. It returns when the client
// closes the connection (with nil) or sends what is no Modbus.
func (s *modbusServer) serve(ctx context.Context, conn net.Conn) error {
	var in [mbapLen + maxPDU]byte
	out := make([]byte, 0, len(in))
	for {
		if _, err := io.ReadFull(conn, in[:mbapLen]); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("reading a Modbus header: %w", err)
		}
		length := int(binary.BigEndian.Uint16(in[4:]))
		if p := binary.BigEndian.Uint16(in[2:]); p != 0 || length < 2 || length > maxPDU+1 {
			return fmt.Errorf("not a Modbus header: protocol %d, length %d", p, length)
		}
		request := in[mbapLen : mbapLen+length-1]
		if _, err := io.ReadFull(conn, request); err != nil {
			return fmt.Errorf("reading a Modbus request of %d bytes: %w", length, err)
		}
		unit := in[6]
		c := s.conduct(unit)
		if c.silent {
			continue
		}
		if !wait(ctx, c.slow/2) {
			return nil
		}
		out = append(out[:0], in[:mbapLen]...)
		if m, ok := s.unit(unit); ok {
			out = answer(out, request, m)
		} else {
			out = append(out, request[0]|0x80, targetSilent)
		}
		binary.BigEndian.PutUint16(out[4:], uint16(len(out)-mbapLen+1))
		if !wait(ctx, c.slow-c.slow/2) {
			return nil
		}
		if err := conn.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
			return fmt.Errorf("limiting the time of a Modbus reply: %w", err)
		}
		if _, err := conn.Write(out); err != nil {
			return fmt.Errorf("sending a Modbus reply: %w", err)
		}
	}
}

// wait waits, and reports false when ctx ended first.
func wait(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

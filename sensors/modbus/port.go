package modbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"go.bug.st/serial"
)

// serialPort opens a serial port of this machine.
func serialPort(a Address) func(context.Context, time.Duration) (port, error) {
	return func(context.Context, time.Duration) (port, error) {
		mode := &serial.Mode{BaudRate: a.Line.Baud, DataBits: 8}
		switch a.Line.Parity {
		case EvenParity:
			mode.Parity = serial.EvenParity
		case OddParity:
			mode.Parity = serial.OddParity
		}
		if a.Line.Stop == 2 {
			mode.StopBits = serial.TwoStopBits
		}
		p, err := serial.Open(a.Path, mode)
		if err != nil {
			return nil, fmt.Errorf("opening %s: %w", a.Path, err)
		}
		return p, nil
	}
}

// networkPort connects to a serial device server.
func networkPort(a Address) func(context.Context, time.Duration) (port, error) {
	return func(ctx context.Context, timeout time.Duration) (port, error) {
		d := net.Dialer{Timeout: timeout}
		conn, err := d.DialContext(ctx, "tcp", a.Host)
		if err != nil {
			return nil, err
		}
		return &netPort{conn: conn}, nil
	}
}

// netPort makes a connection a [port].
type netPort struct {
	conn    net.Conn
	timeout time.Duration
}

func (p *netPort) SetReadTimeout(d time.Duration) error {
	p.timeout = d
	return nil
}

func (p *netPort) Read(b []byte) (int, error) {
	if err := p.conn.SetReadDeadline(time.Now().Add(p.timeout)); err != nil {
		return 0, err
	}
	n, err := p.conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return n, err
}

// writeWithin is how long a request of eight bytes may take to leave.
const writeWithin = 200 * time.Millisecond

func (p *netPort) Write(b []byte) (int, error) {
	if err := p.conn.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
		return 0, err
	}
	return p.conn.Write(b)
}

// ResetInputBuffer throws away what has come. A deadline in the past would
// read nothing at all, so it lies a moment ahead; the rounds are bounded, so
// that a flood can't hold it.
func (p *netPort) ResetInputBuffer() error {
	var waste [512]byte
	for range 16 {
		p.timeout = 200 * time.Microsecond
		n, err := p.Read(waste[:])
		if err != nil {
			return err
		}
		if n == 0 {
			return nil
		}
	}
	return nil
}

// ResetOutputBuffer does nothing: what was written is on its way.
func (p *netPort) ResetOutputBuffer() error { return nil }

func (p *netPort) Close() error { return p.conn.Close() }

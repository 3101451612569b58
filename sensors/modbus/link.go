package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	goburrow "github.com/goburrow/modbus"
)

// A link reads from the devices of one address, one request at a time. It is
// used by one goroutine only.
type link interface {
	// read carries out one request. Its error is an [*Exception] where the
	// device answered with one; after any other error the next read begins on
	// a new connection or a quiet line. When ctx ends, read returns at once.
	read(ctx context.Context, unit, function uint8, address, quantity uint16, timeout time.Duration) (reply, error)
	close()
}

// A reply is what a read brought and when. Sent and got are set after an
// [*Exception] too.
type reply struct {
	data []byte // of the length that was asked for; valid until the next read
	sent time.Time
	got  time.Time
}

// middle is the time at which the device is taken to have read its inputs; it
// is wrong by half the round trip at most.
func (r reply) middle() time.Time { return r.sent.Add(r.got.Sub(r.sent) / 2) }

// A transport carries one frame out and one back.
type transport interface {
	goburrow.Transporter

	// begin sets what the next Send belongs to. The timeout is for the whole
	// exchange.
	begin(ctx context.Context, unit uint8, timeout time.Duration)

	// times are when the last frame was sent and its answer complete.
	times() (sent, got time.Time)

	// drop gives up the connection or lets the line fall quiet, because what
	// comes next can't be trusted.
	drop()

	// close ends the use of the transport for good.
	close()
}

// A master is a link made of goburrow's framing and a transport of ours.
type master struct {
	client    goburrow.Client
	setUnit   func(unit uint8)
	transport transport
}

func newTCPMaster(t transport) *master {
	packager := goburrow.NewTCPClientHandler("") // for its framing; it never connects
	return &master{goburrow.NewClient2(packager, t), func(unit uint8) { packager.SlaveId = unit }, t}
}

func newRTUMaster(t transport) *master {
	packager := goburrow.NewRTUClientHandler("") // for its framing; it opens no port
	return &master{goburrow.NewClient2(packager, t), func(unit uint8) { packager.SlaveId = unit }, t}
}

// newLink returns the link to an address. Nothing is connected before the
// first read.
func newLink(a Address) link {
	switch a.Scheme {
	case RTU:
		return newRTUMaster(newRTUTransport(a.Line, serialPort(a)))
	case RTUOverTCP:
		return newRTUMaster(newRTUTransport(a.Line, networkPort(a)))
	}
	return newTCPMaster(&tcpTransport{host: a.Host})
}

func (m *master) read(ctx context.Context, unit, function uint8, address, quantity uint16, timeout time.Duration) (reply, error) {
	m.setUnit(unit)
	m.transport.begin(ctx, unit, timeout)
	var data []byte
	var err error
	switch function {
	case ReadCoils:
		data, err = m.client.ReadCoils(address, quantity)
	case ReadDiscreteInputs:
		data, err = m.client.ReadDiscreteInputs(address, quantity)
	case ReadHoldingRegisters:
		data, err = m.client.ReadHoldingRegisters(address, quantity)
	case ReadInputRegisters:
		data, err = m.client.ReadInputRegisters(address, quantity)
	default:
		return reply{}, fmt.Errorf("function %d isn't one of those that read", function)
	}
	if err == nil && len(data) != replyBytes(function, quantity) {
		err = fmt.Errorf("the reply has %d data bytes, and %d were asked for", len(data), replyBytes(function, quantity))
	}
	r := reply{data: data}
	r.sent, r.got = m.transport.times()
	if err == nil {
		return r, nil
	}
	err = exception(err, function)
	if exceptionIn(err) == nil {
		m.transport.drop()
	}
	return r, err
}

func (m *master) close() { m.transport.close() }

// exception tells a real exception from what goburrow also calls one: an
// answer to another function.
func exception(err error, function uint8) error {
	var e *goburrow.ModbusError
	switch {
	case !errors.As(err, &e):
		return err
	case e.FunctionCode == function|0x80:
		return &Exception{Function: function, Code: e.ExceptionCode}
	}
	return fmt.Errorf("function %d was asked for, and function %d was answered", function, e.FunctionCode)
}

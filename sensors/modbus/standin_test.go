package modbus

import (
	"encoding/binary"
	"io"
	"math"
	"net"
	"sync"
	"testing"
	"time"

	"gapward/sensors"
)

// standIn is a Modbus TCP device written for the tests alone, byte by byte
// from the specification, so that it shares no mistake with what is tested.
type standIn struct {
	t    *testing.T
	addr string
	rtu  bool // speaks RTU frames in place of TCP's

	mu        sync.Mutex
	listener  net.Listener
	conns     map[net.Conn]bool
	registers map[uint16]uint16 // input and holding
	bits      map[uint16]bool   // discrete inputs and coils
	missing   map[uint16]bool   // addresses it refuses
	hanging   bool
	exception byte // answered to everything, if not 0
	requests  [][]byte
}

func newStandIn(t *testing.T, rtu bool) *standIn {
	d := &standIn{t: t, rtu: rtu, conns: map[net.Conn]bool{}, registers: map[uint16]uint16{}, bits: map[uint16]bool{}, missing: map[uint16]bool{}}
	d.addr = "127.0.0.1:0"
	d.listen()
	t.Cleanup(d.close)
	return d
}

func (d *standIn) listen() {
	l, err := net.Listen("tcp", d.addr)
	for i := 0; err != nil && i < 100; i++ { // the port may be held a moment by closing connections
		time.Sleep(10 * time.Millisecond)
		l, err = net.Listen("tcp", d.addr)
	}
	if err != nil {
		d.t.Errorf("listening again at %s: %v", d.addr, err)
		return
	}
	d.mu.Lock()
	d.listener, d.addr = l, l.Addr().String()
	d.mu.Unlock()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			d.mu.Lock()
			d.conns[c] = true
			d.mu.Unlock()
			go d.serve(c)
		}
	}()
}

func (d *standIn) close() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.listener.Close()
	for c := range d.conns {
		c.Close()
	}
	clear(d.conns)
}

func (d *standIn) hang() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.hanging = true
}

func (d *standIn) serve(c net.Conn) {
	defer func() {
		c.Close()
		d.mu.Lock()
		delete(d.conns, c)
		d.mu.Unlock()
	}()
	request := 12
	if d.rtu {
		request = 8
	}
	for {
		b := make([]byte, request)
		if _, err := io.ReadFull(c, b); err != nil {
			return
		}
		if d.rtu {
			if pdu := d.answer(b[1:6]); pdu != nil {
				c.Write(rtuFrame(b[0], pdu))
			}
		} else if pdu := d.answer(b[7:]); pdu != nil {
			c.Write(tcpFrame(b, pdu))
		}
	}
}

// tcpFrame puts the header of the answer to request before a PDU.
func tcpFrame(request, pdu []byte) []byte {
	f := append([]byte{request[0], request[1], 0, 0, 0, 0, request[6]}, pdu...)
	binary.BigEndian.PutUint16(f[4:], uint16(1+len(pdu)))
	return f
}

func (d *standIn) answer(pdu []byte) []byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.requests = append(d.requests, pdu)
	if d.hanging {
		return nil
	}
	if d.exception != 0 {
		return []byte{pdu[0] | 0x80, d.exception}
	}
	from, n := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	for i := range n {
		if d.missing[from+i] {
			return []byte{pdu[0] | 0x80, 2}
		}
	}
	switch pdu[0] {
	case 1, 2:
		data := make([]byte, (n+7)/8)
		for i := range n {
			if d.bits[from+i] {
				data[i/8] |= 1 << (i % 8)
			}
		}
		return append([]byte{pdu[0], byte(len(data))}, data...)
	case 3, 4:
		data := make([]byte, 0, 2*n)
		for i := range n {
			data = binary.BigEndian.AppendUint16(data, d.registers[from+i])
		}
		return append([]byte{pdu[0], byte(len(data))}, data...)
	}
	return []byte{pdu[0] | 0x80, 1}
}

// asked is every request so far as function, address, quantity.
func (d *standIn) asked() [][3]uint16 {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := make([][3]uint16, len(d.requests))
	for i, p := range d.requests {
		out[i] = [3]uint16{uint16(p[0]), binary.BigEndian.Uint16(p[1:]), binary.BigEndian.Uint16(p[3:])}
	}
	return out
}

// set writes a signal's value where brakeChannels has it.
func (d *standIn) set(s sensors.Signal, v float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch s {
	case sensors.Travel:
		d.registers[0] = uint16(math.Round(v / 10 * 4095))
	case sensors.Temperature:
		b := math.Float32bits(float32(v))
		d.registers[2], d.registers[3] = uint16(b>>16), uint16(b)
	case sensors.Drive:
		d.bits[0] = v != 0
	case sensors.Released:
		d.bits[1] = v == 0 // wired inverted
	}
}

func (d *standIn) spoil(s sensors.Signal) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch s {
	case sensors.Travel:
		d.registers[0] = 65535
	case sensors.Temperature:
		d.registers[2] = 0x7FC0
	}
}

func (d *standIn) device() sensors.Device {
	url := "tcp://" + d.addr
	if d.rtu {
		url = "rtu+tcp://" + d.addr + "?baud=115200"
	}
	return sensors.Device{Modbus: url, Unit: 1, Timeout: 100 * time.Millisecond}
}

func ptr[T any](v T) *T { return &v }

// brakeChannels are the four signals of one brake, on two tables.
func brakeChannels(poll time.Duration) []sensors.Channel {
	w := sensors.Wiring{Device: "quay-io", Poll: poll}
	travel, drive, released, temperature := w, w, w, w
	travel.Input, travel.Raw, travel.MM = ptr[uint16](0), []float64{0, 4095}, []float64{0, 10}
	drive.Discrete = ptr[uint16](0)
	released.Discrete, released.Invert = ptr[uint16](1), true
	temperature.Input, temperature.Type = ptr[uint16](2), sensors.F32
	return []sensors.Channel{
		{Brake: 3, Name: "quay-2/main", Signal: sensors.Travel, Wiring: travel},
		{Brake: 3, Name: "quay-2/main", Signal: sensors.Drive, Wiring: drive},
		{Brake: 3, Name: "quay-2/main", Signal: sensors.Released, Wiring: released},
		{Brake: 3, Name: "quay-2/main", Signal: sensors.Temperature, Wiring: temperature},
	}
}

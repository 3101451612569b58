package modbus

import (
	"encoding/binary"
	"fmt"
	"time"
)

// Table is one of the four tables of the Modbus data model. Nothing else can
// be asked for: of whatever value a Table has, two bits choose one of the four
// functions that read, and no request is made in any other way. So a request to
// write can't be expressed.
type Table uint8

// The tables. The function that reads each is named beside it (Modbus
// Application Protocol V1.1b3, 6.1 to 6.4).
const (
	Coils            Table = iota // function 01
	DiscreteInputs                // function 02
	HoldingRegisters              // function 03
	InputRegisters                // function 04
)

// Function is the code of the function that reads the table, 1 to 4.
func (t Table) Function() uint8 { return 1 + uint8(t)&3 }

// bits reports whether the table holds bits.
func (t Table) bits() bool { return t.Function() <= DiscreteInputs.Function() }

func (t Table) String() string {
	return [...]string{"coil", "discrete input", "holding register", "input register"}[t&3]
}

// The most that one request may ask for (6.1 to 6.4).
const (
	maxRegisters = 125
	maxBits      = 2000
)

// replyBytes is how many data bytes a good reply brings.
func replyBytes(t Table, quantity uint16) int {
	if t.bits() {
		return (int(quantity) + 7) / 8
	}
	return 2 * int(quantity)
}

// An ask is one read of one block.
type ask struct {
	unit     uint8
	table    Table
	address  uint16
	quantity uint16
	timeout  time.Duration // for the whole exchange, connecting included
}

// check is an error where the protocol doesn't allow such a read.
func (a *ask) check() error {
	most := maxRegisters
	if a.table.bits() {
		most = maxBits
	}
	if a.quantity < 1 || int(a.quantity) > most {
		return fmt.Errorf("%d can't be asked for at once; a request reads 1 to %d", a.quantity, most)
	}
	return nil
}

// appendTo appends the request without a transport's header.
func (a *ask) appendTo(b []byte) []byte {
	b = append(b, a.table.Function())
	b = binary.BigEndian.AppendUint16(b, a.address)
	return binary.BigEndian.AppendUint16(b, a.quantity)
}

// data takes the data out of a reply without a transport's header. What it
// returns has the length that was asked for. The error is an [*Exception] where
// the device answered with one.
func (a *ask) data(pdu []byte) ([]byte, error) {
	function := a.table.Function()
	switch {
	case len(pdu) < 2:
		return nil, fmt.Errorf("an answer of %d bytes", len(pdu))
	case pdu[0] == function|0x80 && len(pdu) != 2:
		return nil, fmt.Errorf("an exception of %d bytes, and one has 2", len(pdu))
	case pdu[0] == function|0x80:
		return nil, &Exception{Function: function, Code: pdu[1]}
	case pdu[0] != function:
		return nil, fmt.Errorf("function %d was asked for, and function %d was answered", function, pdu[0])
	}
	want := replyBytes(a.table, a.quantity)
	if len(pdu) != 2+want || int(pdu[1]) != want {
		return nil, fmt.Errorf("the reply has %d data bytes and calls them %d, and %d were asked for", len(pdu)-2, pdu[1], want)
	}
	return pdu[2:], nil
}

package modbus

import (
	"encoding/binary"
	"fmt"
	"time"

	goburrow "github.com/goburrow/modbus"
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

// pdu is the request as the packagers take it.
func (a *ask) pdu() *goburrow.ProtocolDataUnit {
	data := make([]byte, 0, 4)
	data = binary.BigEndian.AppendUint16(data, a.address)
	data = binary.BigEndian.AppendUint16(data, a.quantity)
	return &goburrow.ProtocolDataUnit{FunctionCode: a.table.Function(), Data: data}
}

// data takes the data out of a reply. What it returns has the length that was
// asked for. The error is an [*Exception] where the device answered with one.
func (a *ask) data(pdu *goburrow.ProtocolDataUnit) ([]byte, error) {
	function := a.table.Function()
	switch {
	case len(pdu.Data) < 1:
		return nil, fmt.Errorf("an answer of %d bytes", 1+len(pdu.Data))
	case pdu.FunctionCode == function|0x80 && len(pdu.Data) != 1:
		return nil, fmt.Errorf("an exception of %d bytes, and one has 2", 1+len(pdu.Data))
	case pdu.FunctionCode == function|0x80:
		return nil, &Exception{Function: function, Code: pdu.Data[0]}
	case pdu.FunctionCode != function:
		return nil, fmt.Errorf("function %d was asked for, and function %d was answered", function, pdu.FunctionCode)
	}
	want := replyBytes(a.table, a.quantity)
	if len(pdu.Data) != 1+want || int(pdu.Data[0]) != want {
		return nil, fmt.Errorf("the reply has %d data bytes and calls them %d, and %d were asked for", len(pdu.Data)-1, pdu.Data[0], want)
	}
	return pdu.Data[1:], nil
}

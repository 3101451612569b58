package modbus

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"gapward/sensors"
)

// Request is one read of one block of one table, and the signals found in it.
type Request struct {
	Device     string        // the device's name in the site file
	Unit       uint8         // its unit id
	Timeout    time.Duration // for the whole exchange
	Turnaround time.Duration // what the device needs to begin an answer; 0: unknown
	Table      Table
	Address    uint16 // of the first register or bit, from 0
	Quantity   uint16 // registers or bits
	Period     time.Duration
	Channels   []sensors.Channel // in the order of address
}

// replyBytes is how many data bytes a good reply brings.
func (r *Request) replyBytes() int { return replyBytes(r.Table, r.Quantity) }

// ask is the request as a link carries it.
func (r *Request) ask() ask {
	return ask{unit: r.Unit, table: r.Table, address: r.Address, quantity: r.Quantity, timeout: r.Timeout}
}

// String says what is asked of whom, for messages: "input registers 0 to 15 of
// quay-io (unit 1)".
func (r *Request) String() string {
	what := fmt.Sprintf("%v %d", r.Table, r.Address)
	if r.Quantity > 1 {
		what = fmt.Sprintf("%vs %d to %d", r.Table, r.Address, int(r.Address)+int(r.Quantity)-1)
	}
	return fmt.Sprintf("%s of %s (unit %d)", what, r.Device, r.Unit)
}

// A place is where one channel's value stands: in which table, from where on,
// over how many registers or bits.
type place struct {
	table   Table
	address uint16
	width   uint16
}

// end is the address behind the value.
func (p place) end() int { return int(p.address) + int(p.width) }

// find works out where a channel's value stands, or its stamp.
func find(c sensors.Channel) (place, error) {
	w := &c.Wiring
	if c.Part != sensors.OfValue {
		return findStamp(c)
	}
	var p place
	set := 0
	for _, t := range []struct {
		table   Table
		address *uint16
	}{
		{Coils, w.Coil},
		{DiscreteInputs, w.Discrete},
		{HoldingRegisters, w.Holding},
		{InputRegisters, w.Input},
	} {
		if t.address != nil {
			p.table, p.address = t.table, *t.address
			set++
		}
	}
	wrong := func(format string, args ...any) (place, error) {
		return place{}, fmt.Errorf("%v of %s: %s", c.Signal, c.Name, fmt.Sprintf(format, args...))
	}
	switch {
	case w.Topic != "":
		return wrong("it has an MQTT topic, but its device speaks Modbus; give it input, holding, discrete or coil instead")
	case set == 0:
		return wrong("no register or bit is given; write one of input, holding, discrete or coil")
	case set > 1:
		return wrong("%d registers or bits are given; write only one of input, holding, discrete and coil", set)
	case w.ByException():
		return wrong("a Modbus device is asked and doesn't report by itself; write poll in place of on_change and at_least_every")
	case w.Poll < 0:
		return wrong("poll is %v; write a time above zero", w.Poll)
	}
	if p.table.bits() {
		if !c.Signal.Binary() {
			return wrong("one bit can't hold it; give it a register with input or holding")
		}
		p.width = 1
		return p, nil
	}
	n, err := Registers(w.Type)
	if err != nil {
		return wrong("%v", err)
	}
	if err := w.CheckScale(c.Signal); err != nil {
		return wrong("%v", err)
	}
	if _, err := DecodeRegisters(make([]byte, 4), w.Type, w.Words); err != nil {
		return wrong("%v", err)
	}
	p.width = n
	if p.end() > 65536 {
		return wrong("its second register would have address 65536; the last is 65535")
	}
	return withCounter(p, c)
}

// A slot is a channel and its place.
type slot struct {
	place
	channel sensors.Channel
}

func byAddress(a, b slot) int { return cmp.Compare(a.address, b.address) }

// block makes one request of slots in the order of address.
func block(like Request, slots []slot) Request {
	r := like
	r.Table, r.Address = slots[0].table, slots[0].address
	end := 0
	r.Channels = make([]sensors.Channel, len(slots))
	for i, s := range slots {
		r.Channels[i] = s.channel
		end = max(end, s.end())
	}
	r.Quantity = uint16(end - int(r.Address))
	return r
}

// slots is the inverse of block.
func (r *Request) slots() []slot {
	out := make([]slot, len(r.Channels))
	for i, c := range r.Channels {
		p, err := find(c)
		if err != nil { // unreachable: the request was made of places that were found
			continue
		}
		out[i] = slot{p, c}
	}
	return out
}

// halves parts a request that the device has refused, where the addresses
// between its signals leave the widest gap, or else in the middle. The gap
// itself is in neither part. It returns false where the request can't be
// parted: all its signals begin at one address.
func (r *Request) halves() (a, b Request, ok bool) {
	slots := r.slots()
	slices.SortStableFunc(slots, byAddress)
	best, bestGap, bestOff := 0, -1, 0
	end := 0
	for i, s := range slots {
		if i > 0 && s.address != slots[i-1].address {
			gap := max(0, int(s.address)-end)
			off := max(i-len(slots)/2, len(slots)/2-i)
			if gap > bestGap || gap == bestGap && off < bestOff {
				best, bestGap, bestOff = i, gap, off
			}
		}
		end = max(end, s.end())
	}
	if best == 0 {
		return Request{}, Request{}, false
	}
	return block(*r, slots[:best]), block(*r, slots[best:]), true
}

// value is what a channel's register or bit in the reply to r means, and what
// there is to doubt about it.
func (r *Request) value(c *sensors.Channel, data []byte) (float64, sensors.Doubt) {
	raw, err := r.raw(c, data)
	if err != nil { // the length was checked on arrival; a wrong guess here must not become a value
		return 0, sensors.NotANumber
	}
	return c.Wiring.Read(c.Signal, raw)
}

// raw is what the channel's register or bit holds in the reply to r.
func (r *Request) raw(c *sensors.Channel, data []byte) (float64, error) {
	at := address(&c.Wiring)
	if r.Table.bits() {
		bit, err := DecodeBit(data, at-int(r.Address))
		if bit {
			return 1, err
		}
		return 0, err
	}
	return r.number(at, data, c.Wiring.Type, c.Wiring.Words)
}

// number is what stands in the reply to r from a register on.
func (r *Request) number(register int, data []byte, t sensors.DataType, w sensors.WordOrder) (float64, error) {
	at := register - int(r.Address)
	if at < 0 || 2*at > len(data) {
		return 0, fmt.Errorf("register %d isn't in the reply", register)
	}
	return DecodeRegisters(data[2*at:], t, w)
}

// address is where a wired value begins, whatever the table.
func address(w *sensors.Wiring) int {
	for _, a := range [...]*uint16{w.Input, w.Holding, w.Discrete, w.Coil} {
		if a != nil {
			return int(*a)
		}
	}
	return 0
}

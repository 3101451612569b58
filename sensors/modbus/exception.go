package modbus

import (
	"errors"
	"fmt"
)

// Exception is a device's answer that it won't give what was asked.
type Exception struct {
	Function uint8 // the function that was asked for
	Code     uint8
}

// The exception codes that are told apart here (Modbus Application Protocol
// V1.1b3, section 7).
const (
	illegalAddress        = 0x02
	gatewayPathMissing    = 0x0A
	gatewayTargetIsSilent = 0x0B
)

func (e *Exception) Error() string {
	meaning := "of the device's own making"
	switch e.Code {
	case 0x01:
		meaning = "illegal function: the device doesn't have that table"
	case illegalAddress:
		meaning = "illegal data address: the device has nothing there"
	case 0x03:
		meaning = "illegal data value: the device won't read so many at once"
	case 0x04:
		meaning = "server device failure"
	case 0x05:
		meaning = "acknowledge: the device needs longer"
	case 0x06:
		meaning = "server device busy"
	case 0x08:
		meaning = "memory parity error"
	case gatewayPathMissing:
		meaning = "gateway path unavailable: the gateway has no such unit"
	case gatewayTargetIsSilent:
		meaning = "gateway target device failed to respond: the unit behind the gateway is silent"
	}
	return fmt.Sprintf("exception %02X (%s)", e.Code, meaning)
}

// silence reports whether it's a gateway that answered in place of a device
// that didn't.
func (e *Exception) silence() bool {
	return e.Code == gatewayPathMissing || e.Code == gatewayTargetIsSilent
}

// exceptionIn is the exception that err is or wraps, or nil.
func exceptionIn(err error) *Exception {
	if err == nil { // by far the most often, and errors.As costs memory
		return nil
	}
	var e *Exception
	if !errors.As(err, &e) {
		return nil
	}
	return e
}

// Package modbus reads brakes' signals from Modbus devices, over TCP and over
// serial lines.
//
// From the site file's wiring it works out a [Plan]: which blocks of which
// table are read how often, so that neighbouring signals cost one request.
// A [Source] carries out the plan and sends what it reads as samples.
//
// Every exchange has one deadline and ends with its context; a late or foreign
// reply is never taken for the one awaited, and a connection that has failed is
// given up. Of the requests that are due on a bus, the one whose next slot is
// the nearest goes first.
//
// Frames are made, taken apart and compared by goburrow/modbus's packagers. Its
// transports are not used: over TCP they don't recover from a timeout, and on a
// serial line they take a late answer for the next one's.
//
// A [Table] names one of the four functions that read, whatever its value, and
// no request is made in any other way: gapward never writes to a field device.
package modbus

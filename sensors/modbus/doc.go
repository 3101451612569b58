// Package modbus reads brakes' signals from Modbus devices, over TCP and over
// serial lines.
//
// From the site file's wiring it works out a [Plan]: which blocks of which
// table are read how often, so that neighbouring signals cost one request.
// A [Source] carries out the plan and sends what it reads as samples.
//
// The framing of requests and replies is goburrow/modbus's. Its transports are
// not used: the ones here give every exchange one deadline, end it with its
// context, never take a late or foreign reply for the one awaited, and give up
// a connection that has failed.
//
// Only the four reading functions can be reached. gapward never writes to a
// field device.
package modbus

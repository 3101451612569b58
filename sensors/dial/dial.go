// Package dial connects to MQTT brokers, whoever reads from them or publishes
// to them, and keeps what one sends from costing more memory than it may.
package dial

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
)

// LongestPacket is the longest packet that a broker may send, in bytes. A packet's
// length stands in its first five bytes and may be 256 MB, for which the client
// would make room at once (MQTT 3.1.1, 2.2.3).
const LongestPacket = 1 << 20

// Broker connects to a broker at host:port, over TLS where secure isn't nil. What is
// read from the connection fails at the head of a packet that is too long.
func Broker(ctx context.Context, host string, secure *tls.Config) (net.Conn, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", host)
	if err != nil {
		return nil, err
	}
	if secure == nil {
		return &framed{Conn: conn}, nil
	}
	if secure.ServerName == "" {
		secure = secure.Clone()
		if secure.ServerName, _, err = net.SplitHostPort(host); err != nil {
			return nil, errors.Join(fmt.Errorf("agreeing on TLS: %w", err), conn.Close())
		}
	}
	over := tls.Client(conn, secure)
	if err := over.HandshakeContext(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("agreeing on TLS: %w", err), conn.Close())
	}
	return &framed{Conn: over}, nil
}

// A framed connection counts along what a broker sends, packet by packet. The
// reader gets no more of a head than has been looked at.
type framed struct {
	net.Conn
	head    int    // bytes of the packet's head that have passed
	length  uint32 // as far as it has been read
	left    uint32 // of the packet, behind its head
	tooLong error
}

func (f *framed) Read(b []byte) (int, error) {
	if f.tooLong != nil {
		return 0, f.tooLong
	}
	n, err := f.Conn.Read(b)
	for i := 0; i < n; i++ {
		switch {
		case f.left > 0:
			step := min(int(f.left), n-i)
			f.left -= uint32(step)
			i += step - 1
		case f.head == 0: // its kind
			f.head, f.length = 1, 0
		default: // seven bits of its length, and whether more follow
			f.length |= uint32(b[i]&0x7F) << (7 * (f.head - 1))
			f.head++
			last := b[i]&0x80 == 0
			if f.length > LongestPacket || !last && f.head > 4 {
				f.tooLong = fmt.Errorf("the broker sends a packet of %d bytes or more; %d are allowed", f.length, LongestPacket)
				return i, f.tooLong
			}
			if last {
				f.left, f.head = f.length, 0
			}
		}
	}
	return n, err
}

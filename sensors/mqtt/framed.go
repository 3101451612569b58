package mqtt

import (
	"fmt"
	"net"
)

// maxPacket is the longest packet that a broker may send, in bytes. A packet's
// length stands in its first five bytes and may be 256 MB, for which the client
// would make room at once (MQTT 3.1.1, 2.2.3).
const maxPacket = 1 << 20

// A framed connection counts along what a broker sends, packet by packet, and
// fails at the head of one that is too long. The reader gets no more of a head
// than has been looked at.
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
			if f.length > maxPacket || !last && f.head > 4 {
				f.tooLong = fmt.Errorf("the broker sends a packet of %d bytes or more; %d are allowed", f.length, maxPacket)
				return i, f.tooLong
			}
			if last {
				f.left, f.head = f.length, 0
			}
		}
	}
	return n, err
}

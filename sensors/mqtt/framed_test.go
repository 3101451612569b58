package mqtt

import (
	"bytes"
	"errors"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"gapward/sensors"
)

// read is a connection of which only the reading counts.
type readOnly struct {
	net.Conn
	io.Reader
}

func (r readOnly) Read(b []byte) (int, error) { return r.Reader.Read(b) }

func FuzzFramed(f *testing.F) {
	f.Add([]byte{0x30, 3, 0, 1, 'a', 0xD0, 0, 0x30, 0x80, 0x01})
	f.Add([]byte{0x30, 0xFF, 0xFF, 0xFF, 0x7F, 0})
	f.Add([]byte{0x30, 0x80, 0x80, 0x80, 0x80, 0x80})
	f.Fuzz(func(t *testing.T, sent []byte) {
		// What is let through is what was sent, up to a head that is refused, and
		// doesn't hang on how it comes in pieces.
		whole, err := io.ReadAll(&framed{Conn: readOnly{Reader: bytes.NewReader(sent)}})
		pieces, errPieces := io.ReadAll(&framed{Conn: readOnly{Reader: iotest.OneByteReader(bytes.NewReader(sent))}})
		if !bytes.HasPrefix(sent, whole) || !bytes.Equal(whole, pieces) || (err == nil) != (errPieces == nil) || err == nil && len(whole) != len(sent) {
			t.Fatalf("of % x came % x (%v), in pieces % x (%v)", sent, whole, err, pieces, errPieces)
		}
		// By the standard's own words, 2.2.3.
		for at := 0; at < len(whole); {
			length, shift := 0, 0
			for at++; at < len(whole); at++ {
				length |= int(whole[at]&0x7F) << shift
				shift += 7
				if whole[at]&0x80 == 0 {
					break
				}
			}
			if length > maxPacket || shift > 28 {
				t.Fatalf("the head of a packet of %d bytes came through: % x", length, whole)
			}
			at += 1 + length
		}
	})
}

// A broker that sends what is no MQTT, or floods, or begins packets of hundreds
// of megabytes costs bounded memory and is shown as silent.
func TestHostileBrokersCostLittle(t *testing.T) {
	for name, talk := range map[string]func(c net.Conn){
		"huge packets": func(c net.Conn) {
			c.Write(append([]byte{0x30, 0xFF, 0xFF, 0xFF, 0x7F}, make([]byte, 1<<16)...))
		},
		"garbage": func(c net.Conn) { c.Write(bytes.Repeat([]byte{0xA5}, 1<<16)) },
		"a flood of long messages": func(c net.Conn) {
			topic := "quay/travel"
			body := append([]byte{0, byte(len(topic))}, topic...)
			body = append(body, make([]byte, maxPacket-100)...)
			n := len(body)
			head := []byte{0x30, byte(n&0x7F | 0x80), byte(n>>7&0x7F | 0x80), byte(n >> 14)}
			for {
				if _, err := c.Write(append(head, body...)); err != nil {
					return
				}
			}
		},
		"a packet that never ends": func(c net.Conn) {
			c.Write([]byte{0x30, 0xFF, 0x7F})
			for {
				if _, err := c.Write([]byte{0}); err != nil {
					return
				}
				time.Sleep(10 * time.Millisecond)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			go func() {
				for {
					c, err := l.Accept()
					if err != nil {
						return
					}
					go func() {
						defer c.Close()
						b := make([]byte, 1000)
						if _, err := c.Read(b); err != nil { // CONNECT
							return
						}
						c.Write([]byte{0x20, 2, 0, 0})       // accepted
						if _, err := c.Read(b); err != nil { // SUBSCRIBE
							return
						}
						talk(c)
					}()
				}
			}()
			s, err := New("quay-io", sensors.Device{MQTT: "mqtt://" + l.Addr().String()}, quayChannels(), nil, (&logText{}).logger(), Options{MaxReconnect: 100 * time.Millisecond})
			if err != nil {
				t.Fatal(err)
			}
			var before, now runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			out := make(chan []sensors.Sample)
			done := make(chan error, 1)
			go func() { done <- s.Run(t.Context(), out) }()
			most := uint64(0)
			silent := false
			end := time.After(time.Minute)
			for began := time.Now(); !silent || time.Since(began) < 2*time.Second; {
				select {
				case batch := <-out:
					for _, s := range batch {
						silent = silent || s.Quality != sensors.Good
						if s.Quality == sensors.Good {
							t.Fatalf("a reading came of it: %+v", s)
						}
					}
				case err := <-done:
					t.Fatalf("it gave up: %v", err)
				case <-end:
					t.Fatal("nothing shows that the broker brings nothing")
				case <-time.After(20 * time.Millisecond):
				}
				runtime.ReadMemStats(&now)
				most = max(most, now.HeapAlloc)
			}
			grown := int64(most) - int64(before.HeapAlloc)
			t.Logf("at most %.1f MB more", float64(grown)/1e6)
			if grown > 64<<20 {
				t.Errorf("%d MB more are held", grown>>20)
			}
		})
	}
}

func TestALongPayloadIsCutAndRefused(t *testing.T) {
	got := short(make([]byte, maxPacket))
	if len(got) != maxPayload+1 || cap(got) > 2*maxPayload {
		t.Errorf("%d bytes of %d are kept", len(got), cap(got))
	}
	f := &framed{Conn: readOnly{Reader: bytes.NewReader([]byte{0x30, 0xFF, 0xFF, 0xFF, 0x7F})}}
	_, err := io.ReadAll(f)
	if err == nil || !strings.Contains(err.Error(), "1048576 are allowed") {
		t.Errorf("%v", err)
	}
	if _, again := f.Read(make([]byte, 1)); !errors.Is(again, err) {
		t.Errorf("read on after that: %v", again)
	}
}

package mqtt

import (
	"bytes"
	"net"
	"runtime"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/sensors/dial"
)

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
			body = append(body, make([]byte, dial.LongestPacket-100)...)
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
	got := short(make([]byte, dial.LongestPacket))
	if len(got) != maxPayload+1 || cap(got) > 2*maxPayload {
		t.Errorf("%d bytes of %d are kept", len(got), cap(got))
	}
}

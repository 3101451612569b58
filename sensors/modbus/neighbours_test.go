package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"net"
	"runtime"
	"testing"
	"time"

	"gapward/sensors"
)

// Devices that answer with garbage, flood, never end a frame or close at every
// byte cost bounded memory, and no reading of another device.
func TestHostileDevicesDisturbNoOther(t *testing.T) {
	flood := func(c net.Conn, b []byte) {
		for b = bytes.Repeat(b, 1+4096/len(b)); ; {
			if _, err := c.Write(b); err != nil {
				return
			}
		}
	}
	devices := map[string]sensors.Device{}
	var channels []sensors.Channel
	stand := func(name string, f func(c net.Conn, request []byte, n int)) {
		address := serve(t, func(c net.Conn, n int) {
			if r := next(c); r != nil {
				f(c, r, n)
			}
		})
		devices[name] = sensors.Device{Modbus: "tcp://" + address, Unit: 1, Timeout: 5 * time.Second}
		c := input(int32(len(channels)), uint16(100+len(channels)), 20*time.Millisecond)
		c.Wiring.Device = name
		channels = append(channels, c)
	}
	stand("well", func(c net.Conn, r []byte, _ int) { c.Write(echo(r)); honest(c) })
	stand("garbage", func(c net.Conn, _ []byte, _ int) { flood(c, []byte{0xA5, 0x5A, 0xFF}) })
	stand("foreign frames", func(c net.Conn, r []byte, _ int) { b := echo(r); b[0] ^= 0x80; flood(c, b) })
	stand("never ends a frame", func(c net.Conn, r []byte, _ int) {
		b := echo(r)
		binary.BigEndian.PutUint16(b[4:], 250)
		for _, one := range append(b, make([]byte, 200)...) {
			if _, err := c.Write([]byte{one}); err != nil {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	})
	stand("closes at every byte", func(c net.Conn, r []byte, n int) { c.Write(echo(r)[:n%11]) })
	sources, err := Sources(devices, channels, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var before, now runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	ctx, cancel := context.WithCancel(t.Context())
	out := make(chan []sensors.Sample)
	done := make(chan error, len(sources))
	for _, s := range sources {
		go func() { done <- s.Run(ctx, out) }()
	}
	good, most := 0, uint64(0)
	end := time.After(time.Minute)
	for began := time.Now(); good < 50 || time.Since(began) < 2*time.Second; {
		select {
		case batch := <-out:
			for _, s := range batch {
				switch {
				case s.Brake != 0 && s.Quality == sensors.Good:
					t.Fatalf("%s brought %v", channels[s.Brake].Wiring.Device, s.Value)
				case s.Brake == 0 && (s.Quality != sensors.Good || s.Value != 100):
					t.Fatalf("a reading of the device that behaves is %v, %v", s.Quality, s.Value)
				case s.Brake == 0:
					good++
				}
			}
		case <-end:
			t.Fatalf("of the device that behaves came %d readings in a minute", good)
		}
		runtime.ReadMemStats(&now)
		most = max(most, now.HeapAlloc)
	}
	cancel()
	for range sources {
		for ended := false; !ended; {
			select {
			case <-out:
			case err := <-done:
				if ended = true; err != nil {
					t.Error(err)
				}
			}
		}
	}
	if grown := int64(most) - int64(before.HeapAlloc); grown > 16<<20 {
		t.Errorf("%d MB more are held", grown>>20)
	}
}

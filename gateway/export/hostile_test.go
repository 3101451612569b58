package export

import (
	"context"
	"net"
	"runtime"
	"testing"
	"time"
)

// A broker that begins packets of 256 MB has its connection ended, without room
// for them being made. Sparkplug connects in the same way.
func TestHugePacketsFromABrokerCostLittle(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	t.Cleanup(func() { l.Close(); <-ended })
	dropped := make(chan struct{}, 100)
	go func() {
		defer close(ended)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b := make([]byte, 1000)
			if _, err := c.Read(b); err == nil { // CONNECT
				c.Write([]byte{0x20, 2, 0, 0, 0x30, 0xFF, 0xFF, 0xFF, 0x7F, 0, 1, 'a'})
				for err == nil {
					_, err = c.Read(b)
				}
				dropped <- struct{}{}
			}
			c.Close()
		}
	}()
	m, err := NewMQTT(MQTTSettings{URL: "mqtt://" + l.Addr().String()}, site, []string{mainBrake}, testLog(t))
	if err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	for range 2 {
		select {
		case <-dropped:
		case <-time.After(30 * time.Second):
			t.Fatal("the connection goes on")
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	runtime.ReadMemStats(&after)
	if made := (after.TotalAlloc - before.TotalAlloc) >> 20; made > 100 {
		t.Errorf("%d MB were made room for", made)
	}
}

package field

import (
	"net"
	"sync"
	"testing"
	"time"
)

// A broker comes to its end while clients come and go.
func TestABrokerEndsAmongClients(t *testing.T) {
	// CONNECT of MQTT 3.1.1, section 3.1: clean session, keep alive 60 s, client "c".
	connect := []byte{0x10, 13, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, 1, 'c'}
	for range 50 {
		b, err := StartBroker("127.0.0.1:0", nil)
		if err != nil {
			t.Fatal(err)
		}
		var clients sync.WaitGroup
		for i := range 8 {
			clients.Go(func() {
				hello := append([]byte(nil), connect...)
				hello[len(hello)-1] = byte('a' + i)
				for {
					conn, err := net.Dial("tcp", b.Addr())
					if err != nil {
						return // the broker is gone
					}
					if _, err = conn.Write(hello); err == nil {
						_, err = conn.Read(make([]byte, 4))
					}
					if i == 0 && err == nil { // one stays
						_, _ = conn.Read(make([]byte, 1))
					}
					conn.Close()
				}
			})
		}
		time.Sleep(2 * time.Millisecond)
		ended := make(chan error, 1)
		go func() { ended <- b.Close() }()
		select {
		case err := <-ended:
			if err != nil {
				t.Fatal(err)
			}
		case <-time.After(30 * time.Second):
			t.Fatal("the broker hasn't ended in half a minute")
		}
		clients.Wait()
	}
}

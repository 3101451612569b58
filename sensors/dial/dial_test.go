package dial

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log"
	"net"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/iotest"
)

// readOnly is a connection of which only the reading counts.
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
			if length > LongestPacket || shift > 28 {
				t.Fatalf("the head of a packet of %d bytes came through: % x", length, whole)
			}
			at += 1 + length
		}
	})
}

func TestTooLongAPacketEndsTheConnection(t *testing.T) {
	f := &framed{Conn: readOnly{Reader: bytes.NewReader([]byte{0x30, 0xFF, 0xFF, 0xFF, 0x7F})}}
	_, err := io.ReadAll(f)
	if err == nil || !strings.Contains(err.Error(), "1048576 are allowed") {
		t.Errorf("%v", err)
	}
	if _, again := f.Read(make([]byte, 1)); !errors.Is(again, err) {
		t.Errorf("read on after that: %v", again)
	}
}

// A broker is trusted by its own name where none is given, and not without an
// authority.
func TestOverTLS(t *testing.T) {
	s := httptest.NewTLSServer(nil)
	defer s.Close()
	s.Config.ErrorLog = log.New(t.Output(), "", 0)
	host := s.Listener.Addr().String()
	pool := x509.NewCertPool()
	pool.AddCert(s.Certificate())
	c, err := Broker(t.Context(), host, &tls.Config{RootCAs: pool})
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
	var stranger x509.UnknownAuthorityError
	if _, err := Broker(t.Context(), host, &tls.Config{}); !errors.As(err, &stranger) {
		t.Errorf("of an authority that nobody named: %v", err)
	}
	var other x509.HostnameError
	if _, err := Broker(t.Context(), host, &tls.Config{RootCAs: pool, ServerName: "quay.example"}); !errors.As(err, &other) {
		t.Errorf("under another name: %v", err)
	}
}

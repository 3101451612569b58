package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// papers are a private authority and the certificates it has given: one to the
// broker, for the name broker.kestrel-quay.example alone, and one each to edge
// and rig. All are invented.
type papers struct {
	t   *testing.T
	dir string
	ca  string // file of the authority's certificate

	authority *x509.Certificate
	signer    *ecdsa.PrivateKey
}

func newPapers(t *testing.T) *papers {
	t.Helper()
	p := &papers{t: t, dir: t.TempDir()}
	p.authority = &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Kestrel Quay test authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	p.signer = p.newKey()
	p.ca = p.sign("ca", p.authority, p.signer)
	for i, name := range []string{"broker", "edge", "rig"} {
		c := &x509.Certificate{
			SerialNumber: big.NewInt(int64(2 + i)), Subject: pkix.Name{CommonName: name},
			NotBefore: p.authority.NotBefore, NotAfter: p.authority.NotAfter,
			KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		}
		if name == "broker" {
			c.ExtKeyUsage, c.DNSNames = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, []string{"broker.kestrel-quay.example"}
		}
		key := p.newKey()
		p.sign(name, c, key)
		der, err := x509.MarshalECPrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		p.write(p.key(name), "EC PRIVATE KEY", der)
	}
	return p
}

func (p *papers) newKey() *ecdsa.PrivateKey {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		p.t.Fatal(err)
	}
	return key
}

func (p *papers) sign(name string, c *x509.Certificate, key *ecdsa.PrivateKey) (file string) {
	der, err := x509.CreateCertificate(rand.Reader, c, p.authority, &key.PublicKey, p.signer)
	if err != nil {
		p.t.Fatal(err)
	}
	p.write(p.cert(name), "CERTIFICATE", der)
	return p.cert(name)
}

func (p *papers) write(file, kind string, der []byte) {
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		p.t.Fatal(err)
	}
}

func (p *papers) cert(name string) string { return filepath.Join(p.dir, name+".pem") }
func (p *papers) key(name string) string  { return filepath.Join(p.dir, name+".key") }

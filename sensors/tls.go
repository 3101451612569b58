package sensors

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
)

// TLS is how a device that is reached over TLS is trusted, and what we show it
// of ourselves. host is that of its address. The files are read now.
//
// TLS 1.2 is the oldest that is spoken. There is no way to skip the check of the
// other side's certificate: a private authority is named in ca_file.
func (d Device) TLS(host string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if d.ServerName != "" {
		c.ServerName = d.ServerName
	}
	if d.CAFile != "" {
		pem, err := os.ReadFile(d.CAFile)
		if err != nil {
			return nil, fmt.Errorf("reading ca_file: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("ca_file %s holds no certificate in PEM form", d.CAFile)
		}
	}
	if (d.CertFile == "") != (d.KeyFile == "") {
		return nil, errors.New("cert_file and key_file go together; one of them is missing")
	}
	if d.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(d.CertFile, d.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("reading cert_file %s and key_file %s: %w", d.CertFile, d.KeyFile, err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

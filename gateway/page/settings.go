package page

import (
	"net"
	"net/netip"
)

// Settings say where the page is served, and to whom.
type Settings struct {
	Listen       string       `yaml:"listen"`
	TLS          *TLSSettings `yaml:"tls"`           // needed on any address but loopback
	AccountsFile string       `yaml:"accounts_file"` // likewise; written by gapward account
	Hosts        []string     `yaml:"hosts"`         // names by which browsers reach the page, besides addresses, localhost and this machine's own
}

// TLSSettings name the files of a certificate, with its chain, and its key.
type TLSSettings struct {
	CertFile string `yaml:"cert_file"`
	KeyFile  string `yaml:"key_file"`
}

// DefaultListen is the address when the site file doesn't say.
const DefaultListen = "127.0.0.1:8480"

// Address is Listen or its default.
func (s Settings) Address() string {
	if s.Listen == "" {
		return DefaultListen
	}
	return s.Listen
}

// Loopback reports whether an address can be reached from this machine alone.
func Loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}

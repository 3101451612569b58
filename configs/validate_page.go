package configs

import (
	"errors"
	"net"
	"strconv"
	"strings"
	"unicode"

	"gapward/gateway/page"
)

// page checks where the page is served, and to whom.
func (v *validator) page() {
	s := v.site.Page
	if v.given("page.listen") && v.sound("page.listen") {
		if fault, advice := listenFault(s.Listen); fault != "" {
			v.wrong("page.listen", fault, advice)
		}
	}
	if s.TLS != nil && v.sound("page.tls") {
		for _, f := range []struct{ key, file string }{{"cert_file", s.TLS.CertFile}, {"key_file", s.TLS.KeyFile}} {
			if path := "page.tls." + f.key; !v.missing(path, "a certificate needs both cert_file and key_file") && v.sound(path) && f.file == "" {
				v.wrong(path, "is empty", "write the path of a PEM file")
			}
		}
	}
	if v.given("page.accounts_file") && v.sound("page.accounts_file") && s.AccountsFile == "" {
		v.wrong("page.accounts_file", "is empty", "write the path of the file that gapward account writes, or take the line out")
	}
	for i, host := range s.Hosts {
		if path := itemPath("page.hosts", i); v.sound(path) && hostFault(host) {
			v.wrong(path, quoted(host)+" is no name of a host", "write the name as it stands in the browser's address, without https:// and without the port")
		}
	}
	if v.given("page.listen") && v.sound("page.listen", "page.tls", "page.accounts_file") && !page.Loopback(s.Listen) && (s.TLS == nil || s.AccountsFile == "") {
		var lacks []string
		if s.TLS == nil {
			lacks = append(lacks, "tls")
		}
		if s.AccountsFile == "" {
			lacks = append(lacks, "accounts_file")
		}
		v.wrong("page.listen", s.Listen+" can be reached from other machines, which needs "+strings.Join(lacks, " and "),
			"add page."+strings.Join(lacks, " and page.")+", or write 127.0.0.1 and put a proxy that has both before it")
	}
}

func hostFault(host string) bool {
	return host == "" || len(host) > 253 || strings.ContainsAny(host, ":/@[]?#*") || strings.ContainsFunc(host, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) })
}

// CheckListen is the fault of an address of the demonstration's page: it must
// be host:port of this machine alone.
func CheckListen(address string) error {
	if fault, advice := listenFault(address); fault != "" {
		return errors.New(fault + "; " + advice)
	}
	if !page.Loopback(address) {
		return errors.New(address + " can be reached from other machines; write 127.0.0.1")
	}
	return nil
}

// listenFault says what is wrong with the page's address, or is empty.
func listenFault(address string) (fault, advice string) {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return quoted(address) + " is no address", "write host:port, as in " + page.DefaultListen
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n > 65535 {
		return quoted(port) + " is no port number", "write 0 to 65535, as in " + page.DefaultListen
	}
	return "", ""
}

//go:build !linux

package field

import "errors"

// openPseudo is for Linux alone.
func openPseudo() (wire, string, error) {
	return nil, "", errors.New("this system's pseudo terminals aren't known here; make a pair of serial ports yourself and name one of them")
}

package field

import (
	"fmt"
	"os"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// pseudo is our end of a pseudo terminal, a [wire]. The other end is held open
// too: else a read here would fail whenever nobody has it open.
type pseudo struct {
	ours, theirs *os.File
	timeout      time.Duration
}

// openPseudo makes a pseudo terminal that passes all bytes as they are, and
// says where its other end is.
func openPseudo() (_ *pseudo, path string, err error) {
	ours, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, "", err
	}
	p := &pseudo{ours: ours}
	defer func() {
		if err != nil {
			p.Close()
		}
	}()
	number := 0
	if err := control(ours, func(fd int) (err error) {
		if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
			return fmt.Errorf("unlocking it: %w", err)
		}
		number, err = unix.IoctlGetInt(fd, unix.TIOCGPTN)
		return err
	}); err != nil {
		return nil, "", err
	}
	path = "/dev/pts/" + strconv.Itoa(number)
	if p.theirs, err = os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0); err != nil {
		return nil, "", err
	}
	return p, path, control(p.theirs, raw)
}

// raw switches off what a terminal does to the bytes that pass it.
func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return fmt.Errorf("asking how it is set: %w", err)
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.B38400
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("setting it to pass bytes as they are: %w", err)
	}
	return nil
}

// control does something to the descriptor of a file.
func control(f *os.File, do func(fd int) error) error {
	c, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	if err := c.Control(func(fd uintptr) { failed = do(int(fd)) }); err != nil {
		return err
	}
	return failed
}

func (p *pseudo) SetReadTimeout(d time.Duration) error { p.timeout = d; return nil }

func (p *pseudo) Read(b []byte) (int, error) { return readWithin(p.ours, p.timeout, b) }

// Write gives up when nobody has emptied the terminal's buffer for long.
func (p *pseudo) Write(b []byte) (int, error) {
	if err := p.ours.SetWriteDeadline(time.Now().Add(pseudoWriteWithin)); err != nil {
		return 0, err
	}
	return p.ours.Write(b)
}

const pseudoWriteWithin = time.Second

func (p *pseudo) Close() error {
	if p.theirs != nil {
		p.theirs.Close() // held only to keep ours alive
	}
	return p.ours.Close()
}

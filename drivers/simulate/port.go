package simulate

import (
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

const (
	// writeTime is how long a Write waits for a client to make room.
	writeTime = 200 * time.Millisecond
	// quietTime is how long a line is without requests before it is taken that
	// no client holds it.
	quietTime = time.Second
	// mostUnread is how many bytes may wait for a client before the line throws
	// them away: a client that comes later must not read what is long past.
	mostUnread = 2048
)

// Port is the instrument's end of a pty, whose other end is a tty that a client
// opens as it would a serial port. It stands when clients leave.
type Port struct {
	ptm *os.File // the instrument's end
	tty *os.File // the client's end, held open so that a client's leaving ends nothing
}

// Listen opens a pty in raw mode. It fails where there are no ptys, or none
// whose reading is known to break off in time (all but Linux); Pipe stands in.
func Listen() (*Port, error) {
	ptm, tty, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("opening a pty for a simulated probe: %w", err)
	}
	p := &Port{ptm, tty}
	err = p.onTTY(func(fd uintptr) error {
		_, err := term.MakeRaw(int(fd))
		return err
	})
	if err == nil {
		var free *os.File
		if free, err = breakable(ptm); err == nil {
			p.ptm = free
		}
	}
	if err != nil {
		_ = p.Close() // the first error says more
		return nil, fmt.Errorf("preparing pty %s for a simulated probe: %w", tty.Name(), err)
	}
	return p, nil
}

// onTTY calls do with the tty's descriptor, which stays pollable.
func (p *Port) onTTY(do func(fd uintptr) error) error {
	raw, err := p.tty.SyscallConn()
	if err != nil {
		return err
	}
	var done error
	if err := raw.Control(func(fd uintptr) { done = do(fd) }); err != nil {
		return err
	}
	return done
}

// Path returns the path of the tty that a client opens.
func (p *Port) Path() string { return p.tty.Name() }

// Read waits for a client's bytes, or for Close.
func (p *Port) Read(b []byte) (int, error) {
	for {
		if err := p.ptm.SetReadDeadline(time.Now().Add(quietTime)); err != nil {
			return 0, err
		}
		n, err := p.ptm.Read(b)
		if n > 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			return n, err
		}
		// A serial port forgets a client's exclusive use when the client dies.
		// This tty never closes, so it is told; a failure changes nothing here.
		_ = p.onTTY(shareTTY)
	}
}

// Write sends bytes to whoever has the tty open. It waits for 200 ms at most
// (os.ErrDeadlineExceeded), and throws away what has long been left unread.
func (p *Port) Write(b []byte) (int, error) {
	// On failure the deadline below still bounds the wait.
	_ = p.onTTY(func(fd uintptr) error { return dropUnread(fd, mostUnread) })
	if err := p.ptm.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
		return 0, err
	}
	return p.ptm.Write(b)
}

// Close ends a Read that waits and takes the tty away from its client.
func (p *Port) Close() error {
	return errors.Join(p.ptm.Close(), p.tty.Close())
}
